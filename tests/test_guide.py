"""What README.md and DEVELOPERS.md say is true: the units, the packages, the commands."""

import re
import tomllib
from pathlib import Path

from click.testing import CliRunner

from builder.cli import main
from builder.units import TABLE

ROOT = Path(__file__).parent.parent
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_guide_lists_exactly_the_units_a_card_may_use():
    block = re.search(r"<!-- units:.*?-->(.*?)<!-- /units -->", GUIDE, re.S)
    assert block, "DEVELOPERS.md has lost its marked list of units"
    assert re.findall(r"`([^`]+)`", block[1]) == list(TABLE), "write the list anew from builder/units.py"


def test_every_package_has_its_reason_in_the_guide():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *(p for extra in project["optional-dependencies"].values() for p in extra)]
    names = {re.match(r"[A-Za-z0-9-]+", w)[0].lower() for w in wanted}
    table = GUIDE.split("## Dependencies")[1].lower()
    assert not {n for n in names if n not in table}


def test_every_command_is_in_the_readme_and_every_command_in_the_readme_exists():
    told = set(re.findall(r"^\| `cards ([\w-]+)", README, re.M))
    assert told == set(main.commands)


def test_the_help_of_every_command_can_be_read():
    for name in main.commands:
        result = CliRunner().invoke(main, [name, "--help"])
        assert result.exit_code == 0 and result.output.strip(), name


def test_the_readme_opens_with_the_job_in_one_paragraph():
    parts = README.split("\n\n")
    assert parts[0].startswith("# ") and parts[1].count(". ") >= 2 and len(parts[1]) > 400


def test_pictures_of_the_readme_are_in_the_repository():
    for path in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README):
        assert (ROOT / path).is_file(), path
