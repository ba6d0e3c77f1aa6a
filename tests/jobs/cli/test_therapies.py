"""The list of rules on the command line: as shipped, and as a practice has them."""

from __future__ import annotations

from typer.testing import CliRunner

from forecast.dosing.rules import shipped_rules
from forecast.practice import create_practice, template
from jobs.cli import app

LOOSER = """
[[dosing.rule]]
rule = "current_for.examination"
value = 180
vet = "Dr Invented"
reason = "the law here asks for one in six months"
"""


def said(*arguments: str) -> str:
    result = CliRunner().invoke(app, ["therapies", *arguments])
    assert result.exit_code == 0, result.output
    return " ".join(result.output.split())


def test_every_rule_is_shown_with_its_source_status_and_test(tmp_path, monkeypatch):
    """In a folder that is no practice, those shipped; a class after the other."""
    monkeypatch.chdir(tmp_path)
    text = said("--csv")
    assert "ciclosporin.stop.live_vaccination,vet must decide,,published," in text
    shown = said()
    assert "Rules of therapies: as shipped" in shown
    for therapy in shipped_rules().therapies.values():
        assert therapy.words in shown
    assert "test_rule[" in shown


def test_a_practice_sees_its_own_rules_and_who_loosened_them(tmp_path):
    """With the value in force, and what it was."""
    folder = tmp_path / "practice"
    create_practice(folder, template() + LOOSER)
    shown = said("--practice", str(folder))
    assert "Dr Invented answers for it: the law here asks for one in six months." in shown
    row = said("--practice", str(folder), "--csv")
    assert "current_for.examination,180,day," in row
    assert "own rule of this practice; shipped: 28 day" in row


def test_a_rule_that_is_none_is_one_sentence(tmp_path):
    """No traceback: which table, and the nearest name."""
    folder = tmp_path / "practice"
    create_practice(folder, template() + LOOSER.replace("examination", "examinations"))
    result = CliRunner().invoke(app, ["therapies", "--practice", str(folder)])
    assert "did you mean 'current_for.examination'" in str(result.exception)
