"""Stage edges: Photo + Pose + light -> a profile per edge, with its noise."""

from blurscope.edges.extract import EdgeProfiles, extract_edges

__all__ = ["EdgeProfiles", "extract_edges"]
