"""From a step response to the photo it should give: edges, their figures and uncertainties."""

from blurscope.model.predict import Viewing, predict_edges, prediction_json
from blurscope.model.sources import Responses, assumed_response, read_responses, responses_of

__all__ = [
    "Responses",
    "Viewing",
    "assumed_response",
    "predict_edges",
    "prediction_json",
    "read_responses",
    "responses_of",
]
