from click.testing import CliRunner

from pipeline.cli.init import command
from pipeline.errors import UserError
from pipeline.team.folder import load_team


def test_the_new_folder_loads_without_a_warning(tmp_path):
    result = CliRunner().invoke(command, [str(tmp_path / "new")])
    assert result.exit_code == 0
    team = load_team(tmp_path / "new")
    assert team.warnings == ()
    assert [factor.kind for factor in team.factors] == ["ordered", "category", "number"]
    assert (tmp_path / "new" / "exports").is_dir()
    for name in ("team.toml", "drivers.csv", "meetings.csv", "sessions.csv", "setups.csv"):
        assert (tmp_path / "new" / name).read_text().lstrip().startswith("#")


def test_consent_is_asked_where_it_is_given(tmp_path):
    CliRunner().invoke(command, [str(tmp_path / "new")])
    above = (tmp_path / "new" / "drivers.csv").read_text().split("driver,transponder")[0]
    assert "yes only if the driver agrees; for a child, the parents too" in above


def test_what_is_there_is_not_touched(tmp_path):
    (tmp_path / "setups.csv").write_text("mine")
    result = CliRunner().invoke(command, [str(tmp_path)])
    assert isinstance(result.exception, UserError)
    assert "already has setups.csv" in str(result.exception)
    assert [path.name for path in tmp_path.iterdir()] == ["setups.csv"]


def test_a_folder_that_cannot_be_made_is_one_message(tmp_path):
    (tmp_path / "file").write_text("")
    result = CliRunner().invoke(command, [str(tmp_path / "file" / "new")])
    assert isinstance(result.exception, UserError)
    assert "a file stands where a folder should be" in str(result.exception)
