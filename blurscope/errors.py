"""What blurscope may refuse: one sentence each, saying what was seen, where, and what to do."""


class BlurscopeError(Exception):
    """Base of every refusal; the command line prints its text and exits 1."""


class SettingsError(BlurscopeError):
    """An option or a combination of options that can't be honoured."""


class PatternError(BlurscopeError):
    """A pattern that can't be made, or a pattern file that can't be used."""


class PhotoError(BlurscopeError):
    """A picture file that can't be read as a photo."""


class TargetError(BlurscopeError):
    """A photo in which the plate can't be registered."""


class FitError(BlurscopeError):
    """A photo that is registered but can't carry figures."""


class TraceError(BlurscopeError):
    """A photodiode record that can't be reduced."""


class OutputError(BlurscopeError):
    """A result that can't be written where it was asked to go."""
