"""The plan reference keeps step with the code."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from wherry.plan import loads
from wherry.plan.csv_list import CsvList
from wherry.plan.places import parse_point
from wherry.plan.reference import filled, keys_table, main
from wherry.plan.schema import TITLES
from wherry.plan.wording import TextError

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "plan.md").read_text(encoding="utf-8")


def test_the_tables_of_the_page_are_those_of_the_code() -> None:
    assert filled(PAGE) == PAGE, "run: python -m wherry.plan.reference docs/plan.md"


def test_every_table_of_the_plan_file_is_told_of() -> None:
    assert set(re.findall(r"<!-- keys of (\w+) -->", PAGE)) == set(TITLES.values())
    assert all(keys_table(kind) in PAGE for kind in TITLES)


def test_the_plan_of_the_page_is_sound() -> None:
    (plan,) = re.findall(r"^```toml\n(.*?)^```", PAGE, re.DOTALL | re.MULTILINE)
    assert loads(plan).findings == ()


def test_the_list_of_the_page_is_sound(tmp_path: Path) -> None:
    (listed,) = re.findall(r"^```csv\n(.*?)^```", PAGE, re.DOTALL | re.MULTILINE)
    assert len(CsvList(listed.encode(), "water.csv").rows) == 3
    (tmp_path / "water.csv").write_text(listed, encoding="utf-8")
    (plan,) = re.findall(r"^```toml\n(.*?)^```", PAGE, re.DOTALL | re.MULTILINE)
    plan = re.sub(r"values  = \[.*?^\]", 'values = "water.csv"', plan, flags=re.DOTALL | re.MULTILINE)
    loaded = loads(plan, beside=tmp_path)
    assert loaded.findings == ()
    assert len(loaded.plan.transfers[0].values) == 2


def test_the_notations_of_the_page_are_read_as_it_says() -> None:
    rows = re.findall(r"^\| (`[^|]*`) \| ([^|]*) \|$", PAGE.partition("## Durations")[0], re.MULTILINE)
    notations = rows[-5:]
    assert notations[0][0].startswith("`holding 0`")
    for written, said in notations:
        for place in re.findall(r"`([^`]+)`", written):
            if said.startswith("refused"):
                with pytest.raises(TextError):
                    parse_point(place)
            elif "first holding register" in said:
                assert parse_point(place).address == 0
            else:
                assert parse_point(place).address == 40001


def test_the_tables_can_be_written_again(tmp_path: Path) -> None:
    page = tmp_path / "plan.md"
    page.write_text(
        re.sub(r"(<!-- keys of \w+ -->\n).*?(<!-- end -->)", r"\1\2", PAGE, flags=re.DOTALL), encoding="utf-8"
    )
    main([str(page)])
    assert page.read_text(encoding="utf-8") == PAGE
    with pytest.raises(ValueError, match="there is no table `tank`"):
        filled("<!-- keys of tank -->\n<!-- end -->")
