import pytest
from click.testing import CliRunner

from pipeline.cli.simulate import command
from pipeline.errors import CallError
from pipeline.team.folder import load_team


def simulate(*arguments):
    return CliRunner().invoke(command, [str(one) for one in arguments], standalone_mode=False)


def test_it_writes_a_folder_of_the_size_asked_for(tmp_path):
    out = tmp_path / "made"
    result = simulate(out, "--meetings", 2, "--drivers", 12, "--team-drivers", 2, "--seed", 3)
    assert result.exception is None
    assert "2 meetings, 12 drivers" in result.output
    team = load_team(out)
    assert len(team.meetings) == 2 and len(team.team_drivers) == 2


def test_it_never_writes_over_what_is_there(tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    result = simulate(tmp_path)
    assert isinstance(result.exception, CallError)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize("wrong", [("--meetings", 0), ("--drivers", 3, "--team-drivers", 4)])
def test_a_size_that_cannot_be_is_refused(tmp_path, wrong):
    result = simulate(tmp_path / "made", *wrong)
    assert result.exception is not None
    assert result.exit_code != 0 or isinstance(result.exception, CallError)
    assert not (tmp_path / "made").exists()
