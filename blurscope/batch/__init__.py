"""Many displays in one go: a manifest, all cores or many machines, kept results, one summary, a list of refusals."""

from blurscope.batch.manifest import Display, Limits, Refusal, displays_of_photos, photos_in, read_manifest
from blurscope.batch.run import Batch, measure_batch

__all__ = [
    "Batch",
    "Display",
    "Limits",
    "Refusal",
    "displays_of_photos",
    "measure_batch",
    "photos_in",
    "read_manifest",
]
