"""The moving pattern: one `Layout` is the source of frames, player, video and ``pattern.json``."""
