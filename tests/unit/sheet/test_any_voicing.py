"""Any valid voicing, any series and unit: a sheet, or a refusal with a rule and finite numbers."""

from __future__ import annotations

import math
import re
from collections import Counter

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.fuzz.strategies import voicings
from voicer.board import PartChoice
from voicer.board.board import SERIES_NAMES
from voicer.errors import CircuitError
from voicer.sheet.contents import build_sheet
from voicer.voicing import Voicing

CHOICES = st.builds(
    PartChoice, st.sampled_from(SERIES_NAMES), unit=st.none() | st.integers(1, 1000),
)  # fmt: skip


def outcome(voicing: Voicing, choice: PartChoice) -> str:
    """What becomes of it; fails unless that is a sheet that hangs together or a refusal that says what to do."""
    try:
        sheet = build_sheet(voicing, choice, units=20)
        made, held = sheet.made
        assert all(math.isfinite(row.asked) and math.isfinite(row.got) for row in sheet.figures)
        assert Voicing.model_validate(made.model_dump()) == made
        assert set(held) <= set(sheet.notes)
        assert all(re.fullmatch(r"\S+ comes to .+, outside .+\.\..+: held at .+", line) for line in held), held
        return "held" if held else "sheet"
    except CircuitError as error:
        assert " must " in error.what
        assert "(got " in error.what
        assert error.remedy
        assert not re.search(r"\b(inf|nan)\b", str(error)), str(error)
        return "refused"


@settings(max_examples=40, derandomize=True, deadline=None)
@given(voicings(), CHOICES)
def test_any_voicing_makes_a_sheet_or_is_refused(voicing: Voicing, choice: PartChoice) -> None:
    """Numbers that the parts bring out of a voicing's range are held at the limit and noted, never an error."""
    outcome(voicing, choice)


@pytest.mark.acceptance
def test_a_thousand_voicings_make_sheets_or_are_refused() -> None:
    """The same a thousand times; most make a sheet, some of them with a number held at its limit."""
    found: Counter[str] = Counter()

    @settings(
        max_examples=1000, derandomize=True, deadline=None, database=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(voicings(), CHOICES)
    def run(voicing: Voicing, choice: PartChoice) -> None:
        found[outcome(voicing, choice)] += 1

    run()
    print(dict(found))
    assert found["sheet"] + found["held"] > 500
    assert found["held"] > 10
