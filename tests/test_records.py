"""Records check themselves, travel with their uncertainty and can't be changed."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from blurscope import records
from blurscope.records import Q, frozen_array


def test_a_quantity_travels_with_its_uncertainty():
    q = Q(value=13.3, u95=0.2, flags=("poor_fit",), parts={"noise": 0.1})
    assert q.as_json() == {"value": 13.3, "u95": 0.2}


@pytest.mark.parametrize(
    "bad",
    [
        {"value": None},
        {"value": math.nan},
        {"value": math.inf},
        {"value": 1.0, "u95": -0.1},
        {"value": 1.0, "u95": math.nan},
        {"value": 1.0, "u95": math.inf},
    ],
)
def test_quantities_that_make_no_sense(bad):
    with pytest.raises(ValueError):
        Q(**bad)


def test_flags_have_to_be_registered():
    with pytest.raises(KeyError, match="made_up"):
        Q(value=1.0, flags=("made_up",))
    with pytest.raises(KeyError):
        Q.missing("made_up")


def test_a_missing_quantity_says_why():
    q = Q.missing("clipped", "poor_fit")
    assert q.value is None and q.u95 is None and q.flags == ("clipped", "poor_fit")
    assert q.as_json() == {"value": None, "u95": None}
    assert q.scaled(3.0) is q


@pytest.mark.parametrize("factor", [2.5, -1.0, 0.0])
def test_scaling_keeps_the_share_of_the_uncertainty(factor):
    q = Q(value=4.0, u95=0.5, flags=("poor_fit",), parts={"noise": 0.2, "scale": 0.1}).scaled(factor)
    assert q.value == 4.0 * factor and q.u95 == 0.5 * abs(factor)
    assert q.parts == {"noise": 0.2 * abs(factor), "scale": 0.1 * abs(factor)} and q.flags == ("poor_fit",)
    assert Q(value=1.0).scaled(2.0).u95 is None


def test_records_are_frozen_slotted_and_keyword_only():
    found = [r for _, r in vars(records).items() if dataclasses.is_dataclass(r)]
    assert Q in found
    for record in found:
        assert record.__dataclass_params__.frozen, record
        assert "__slots__" in vars(record), record
        assert all(field.kw_only for field in dataclasses.fields(record)), record


def test_a_quantity_can_not_be_changed():
    q = Q(value=1.0)
    with pytest.raises(dataclasses.FrozenInstanceError):
        q.value = 2.0
    with pytest.raises(TypeError):
        Q(1.0)


def test_frozen_arrays_are_read_only_copies():
    source = [1, 2, 3]
    frozen = frozen_array(source)
    assert frozen.dtype == np.float64
    with pytest.raises(ValueError, match="read-only"):
        frozen[0] = 9
    array = np.array([1.0, 2.0])
    copy = frozen_array(array)
    array[0] = 7
    assert copy[0] == 1.0 and array.flags.writeable
