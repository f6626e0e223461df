"""An answer that is no answer is refused in words, whatever was typed."""

from __future__ import annotations

import pytest

from rig.errors import TableRefused
from rig.importing.proposal import Question


@pytest.mark.parametrize("setting", ["interval_s", "recording"])
@pytest.mark.parametrize("text", ["inf", "nan", "-inf", "soon", ""])
def test_a_number_that_is_none_is_refused(setting: str, text: str) -> None:
    question = Question(setting, "How far apart?", ())
    with pytest.raises(TableRefused, match="is no number"):
        question.answer(text)


def test_a_decimal_comma_is_a_number() -> None:
    assert Question("interval_s", "How far apart?", ()).answer("0,2") == {"interval_s": 0.2}
