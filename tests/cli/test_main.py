"""What every command does when something goes wrong that nobody thought of."""

import pytest

from pipeline.cli import main


def test_details_to_send_on_are_looked_through_for_names_first(tmp_path, monkeypatch, capsys):
    def broken(folder):
        raise ZeroDivisionError("secret")

    monkeypatch.setattr("pipeline.team.new_team.write_new_team", broken)
    monkeypatch.delenv("BACKTOBACK_DEBUG", raising=False)
    with pytest.raises(SystemExit) as stop:
        main(["init", str(tmp_path / "new")])
    said = " ".join(capsys.readouterr().err.split())
    assert stop.value.code == 1 and "a fault of the program" in said
    assert said.index("Look through them for names") < said.index("send them")
