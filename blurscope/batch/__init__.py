"""Many displays in one go: a manifest, all cores or many machines, kept results, one summary, a list of refusals."""

from blurscope.batch.display import Display, Refusal, displays_of_photos
from blurscope.batch.limits import Limits
from blurscope.batch.manifest import read_manifest
from blurscope.batch.photos import photos_in
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
