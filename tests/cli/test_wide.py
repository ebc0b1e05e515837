"""Wide sheets on the command line."""

import json
from pathlib import Path

from click.testing import CliRunner, Result

from scalemodel.cli.main import run
from tests.data.wide_sheets import write_csv

TEXT = "card,Bay ultra 2160p\nOstra 4,10\nOstra 6,11\n"


def call(*arguments: object) -> Result:
    return CliRunner().invoke(run, [str(argument) for argument in arguments])


def test_every_command_asks_with_a_draft(tmp_path: Path) -> None:
    bench = write_csv(tmp_path / "bench", {"results": TEXT})
    for arguments in (["fit", bench], ["lead", bench, "Ostra 4", "Ostra 6"]):
        done = call(*arguments)
        assert done.exit_code == 2
        assert 'platform = "???"' in done.output
        assert not done.stdout
    done = call("check", bench, "--format", "table")
    assert done.exit_code == 1
    assert done.output.rstrip().endswith('platform = "???"')


def test_json_has_the_shape_and_the_draft(tmp_path: Path) -> None:
    bench = write_csv(tmp_path / "bench", {"results": TEXT})
    (draft,) = json.loads(call("check", bench, "--format", "json").output)["drafts"]
    (bench / "layout.toml").write_text(draft.replace("???", "open bench"))
    about = json.loads(call("check", bench, "--format", "json").output)
    assert about["drafts"] == []
    assert about["reading"][1]["shape"][1:] == ["1 game: Bay", "1 preset: ultra"]
    assert about["counts"]["runs"] == 2
