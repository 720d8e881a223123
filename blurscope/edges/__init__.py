"""Stage edges: Photo + Pose + light -> a profile per edge, with its noise."""

from blurscope.edges.extract import FRONT, EdgeProfiles, extract_edges, lags_of, rounding_sd, rows_of_band

__all__ = ["FRONT", "EdgeProfiles", "extract_edges", "lags_of", "rounding_sd", "rows_of_band"]
