"""Every code of a finding or error is explained, in Python and on the command line."""

import pytest

import vatwright as vw
from vatwright.cli import main


def test_every_code_says_meaning_cause_and_remedy() -> None:
    for table in (vw.codes.FINDINGS, vw.codes.ERRORS):
        for word, code in table.items():
            assert word == code.code
            for text in (code.meaning, code.cause, code.remedy):
                assert text.endswith("."), (word, text)
            assert word in vw.codes.explain(word)


def test_explain_tells_or_names_what_is_near(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["explain", "cup"]) == 0
    assert "suction cup" in capsys.readouterr().out
    assert main(["explain"]) == 0
    assert "not_solid" in capsys.readouterr().out
    assert main(["explain", "cups"]) == 2
    assert "cup" in capsys.readouterr().err


def test_a_finding_of_ones_own_keeps_its_code() -> None:
    report = vw.Report(
        findings=[vw.Finding(code="too_dear", severity="note", part="a", message="")]
    )
    assert report.findings[0].code == "too_dear"
