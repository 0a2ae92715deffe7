"""Parts that are asked for, and parts that are not wanted."""

import pytest

from optimizer.choice.legality import legality_of
from optimizer.choice.options import options_of
from optimizer.choice.wishes import places_of, with_wishes
from optimizer.errors import UsageError
from tests.choice.records import make_scenario, make_tire

OPTIONS = options_of(make_scenario((make_tire("T-b"), make_tire("T-c"))))


def test_a_part_cannot_be_both_wanted_and_not():
    legality = legality_of(OPTIONS)
    assert with_wishes(legality, ("T-b",), ("T-c",)) is not legality
    with pytest.raises(UsageError, match="T-b cannot be asked for both with and without"):
        with_wishes(legality, ("T-b",), ("T-c", "T-b"))


def test_an_id_in_the_other_case_is_the_nearest():
    with pytest.raises(UsageError, match="no part is called 't-B'; nearest: T-b"):
        places_of(OPTIONS, "t-B")
