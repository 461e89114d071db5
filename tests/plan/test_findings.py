"""What is wrong with a plan is named, and pointed at to the column; the rest of the plan is read all the same."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from wherry.findings import Finding, Level
from wherry.plan import loads

Judge = Callable[[str], tuple[str, str, Finding]]
WithValues = Callable[..., str]

GOOD = '{ name = "a", take = "holding 0", put = "holding 100" },'

CASES = [
    # in a value: name of the finding, what is pointed at, part of the message, part of the fix
    ('{ nmae = "a", take = "holding 0", put = "holding 1", name = "b" }', "unknown-key", "nmae",
     "`nmae` is no key of a value", "`name` is there already"),
    ('{ name = "a", take = "holding 0", putt = "holding 1", put = "holding 2" }', "unknown-key", "putt",
     "`putt` is no key of a value", "write `put_unit`"),
    ('{ name = "a", take = "holding 0", put = "holding 1", "sc ale" = [0, 1, 0, 1] }', "unknown-key", '"sc ale"',
     "`sc ale` is no key of a value", "write `scale`"),
    ('{ name = "a", take = "holding 0", put = "holding 1", every = "1 s" }', "unknown-key", "every",
     "`every` is no key of a value", "move it: `every` belongs in the table of a transfer"),
    ('{ name = "a", take = "holding 0", put = "holding 1", xyzzy = 1 }', "unknown-key", "xyzzy",
     "`xyzzy` is no key of a value", "take it away"),
    ('{ name = "a", put = "holding 1" }', "missing-key", '{ name = "a", put = "holding 1" }',
     "this value has no `take`", 'add `take = "holding 0 float32 CDAB"`'),
    ('{ name = 5, take = "holding 0", put = "holding 1" }', "wrong-kind", "5",
     "`name` is a whole number where text is wanted", 'write it in quotes: `"5"`'),
    ('{ name = "a", take = 40001, put = "holding 1" }', "wrong-kind", "40001",
     "`take` is a whole number where text is wanted", 'write it in quotes: `"40001"`'),
    ('{ name = "a", take = "holding 0", put = "holding 1", range = "0..20" }', "wrong-kind", '"0..20"',
     "`range` is text where a list of numbers is wanted", "write it like `range = [0, 20]`"),
    ('{ name = "a", take = "holding 0", put = "holding 1", range = [0, "20"] }', "wrong-kind", '"20"',
     "`range` is text where a number is wanted", "take the quotes away: `20`"),
    ('{ name = "a", take = "holding 0", put = "holding 1", range = [0, true] }', "wrong-kind", "true",
     "`range` is true or false where a number is wanted", "write a number"),
    ('{ name = "a", take = "holding 0", put = "holding 1", range = [20, 0] }', "bad-value", "[20, 0]",
     "the `range` has nothing in it", "write `[0, 20]`"),
    ('{ name = "a", take = "holding 0", put = "holding 1", range = [0, nan] }', "bad-value", "nan",
     "`range` cannot be nan", "write a number"),
    ('{ name = "a", take = "holding 0", put = "holding 1", scale = [0, 1, 2] }', "bad-value", "[0, 1, 2]",
     "`scale` takes 4 numbers, not 3", "write it like `scale = [0, 20, 0, 2000]`"),
    ('{ name = "a", take = "holding 0", put = "holding 1", scale = [0, 1, 0, inf] }', "bad-value", "inf",
     "`scale` cannot be inf", "write a number"),
    ('{ name = "a", take = "holding 0", put = "holding 1", clamp = "yes" }', "wrong-kind", '"yes"',
     "`clamp` is text where true or false is wanted", "write `true`, without quotes"),
    ('{ name = "a", take = "holding 0", put = "holding 1", clamp = 2021-01-01 }', "wrong-kind", "2021-01-01",
     "`clamp` is a date where true or false is wanted", "write true or false"),
    ('{ name = "a", take = "holding 0", put = "holding 1", jump = 0 }', "bad-value", "0",
     "`jump` cannot be 0", "write the largest step, in `unit`, or take the key away"),
    ('{ name = "a", take = "holding 0", put = "holding 1", counter = "up", modulus = -1 }', "bad-value", "-1",
     "`modulus` cannot be -1", "write the number at which it begins again from 0, or take the key away"),
    ('{ name = "a", take = "holding 0", put = "holding 1", jump = inf }', "bad-value", "inf",
     "`jump` cannot be inf", "write a number"),
    ('{ name = "a", take = "holding 0", put = "holding 1", deadband = -0.5 }', "bad-value", "-0.5",
     "`deadband` cannot be -0.5", "write `0.5`"),
    ('{ name = "a", take = "holding 0", put = "holding 1", deadband = nan }', "bad-value", "nan",
     "`deadband` cannot be nan", "write a number"),
    ('{ name = "a", take = "holding 0", put = "holding 1", storage = "eeprom" }', "bad-value", "eeprom",
     "`storage` cannot be \"eeprom\"", "write one of the expected words"),
    ('{ name = "a", take = "holding 0", put = "holding 1", refresh = "0 s" }', "bad-duration", '"0 s"',
     "`refresh` cannot be 0 s", "write a duration greater than zero"),
    ('{ name = "a", take = "holding 0", put = "holding 1", counter = "upp" }', "bad-value", "upp",
     '`counter` cannot be "upp"', 'write "up"'),
    ('{ name = "a", take = "holding 0", put = "holding 1", rounding = "even" }', "bad-value", "even",
     '`rounding` cannot be "even"', 'write "half even"'),
    ('{ name = "a", take = "holding 0", put = "holding 1", not_available = ["8000h"] }', "bad-value", '"8000h"',
     '"8000h" is no register content', 'write "0x8000"'),
    ('{ name = "a", take = "holding 0", put = "holding 1", substitute = nan }', "bad-value", "nan",
     "`substitute` cannot be nan", "write a number"),
    ('{ name = "", take = "holding 0", put = "holding 1" }', "bad-value", '""',
     "the `name` is empty", "name the value as the plant's people call it"),
    ('{ name = "a", take = "holding 0 floot32", put = "holding 1" }', "bad-address", "floot32",
     "there is no type `floot32`", "write `float32`"),
    ('{ name = "a", take = "holding 40001", put = "holding 1" }', "ambiguous-number", "40001",
     "`holding 40001` can be meant in two ways", "`holding address 40001`"),
    ('{ name = "a", take = "holding 0..2 float32", put = "holding 1" }', "width-mismatch", "float32",
     "takes 2 registers, and the place has 3", "only the first address"),
    ('{ name = "a", take = "holding 0", put = "holding 70000" }', "address-outside-table", "70000",
     "`70000` is beyond the last address", "look the address up"),
    ('{ name = "a", take = "holding 0..9", put = "holding 20..28" }', "copy-length-differs", '"holding 20..28"',
     "10 registers are taken and 9 are put", "write `holding 20..29`"),
    ('{ name = "ä", take = "holding 0", put = "holding 1" }, { name = \'ä\', take = "holding 2", put = "holding 3" }',
     "duplicate-name", "'ä'", "two values of the transfer are called `ä`", "name one of them otherwise"),
    ('"holding 0"', "wrong-kind", '"holding 0"', "`values` is text where a table is wanted", "write a table"),
]  # fmt: skip


@pytest.mark.parametrize(("value", "name", "pointed", "message", "fix"), CASES, ids=[each[0][:60] for each in CASES])
def test_a_broken_value_is_found_and_left_out(
    value: str, name: str, pointed: str, message: str, fix: str, only_finding: Judge, with_values: WithValues
) -> None:
    good = '{ name = "good", take = "holding 7", put = "holding 107" },'
    text = with_values(f"  {good}\n\t{value}, # é\n  {good.replace('good', 'also good')}")
    found_name, found_at, finding = only_finding(text)
    assert (found_name, found_at) == (name, pointed)
    assert message in finding.message
    assert fix in finding.fix
    assert finding.level is Level.ERROR
    assert finding.expected
    names = [each.name for each in loads(text).plan.transfers[0].values]
    assert [each for each in names if "good" in each] == ["good", "also good"]


TRANSFERS = [
    # keys of the transfer beside from, to and every
    ("evry = '1 s'\n", "unknown-key", "evry", "`evry` is no key of a transfer",
     "take it away: `every` is there already"),
    ("on_los = 'hold'\n", "unknown-key", "on_los", "`on_los` is no key of a transfer", "write `on_loss`"),
    ("on_loss = 'substitue'\n", "bad-value", "substitue", '`on_loss` cannot be "substitue"', 'write "substitute"'),
    ("on_loss = true\n", "wrong-kind", "true", "`on_loss` is true or false where text is wanted", "write text"),
    ("max_age = 5\n", "wrong-kind", "5", "`max_age` is a number without a unit of time", 'write `max_age = "5 ms"`'),
    ("max_age = '5'\n", "bad-duration", "'5'", "the duration `5` has no unit", "write `5 ms` or `5 s`"),
    ("max_age = '5 sek'\n", "bad-duration", "sek", "there is no unit of time `sek`", "write one of"),
    ("max_age = '0 s'\n", "bad-duration", "'0 s'", "`max_age` cannot be 0 s", "greater than zero"),
    ("alive = 'holding 9x'\n", "bad-address", "9x", "`9x` is no address", "write a number after `holding`"),
    ("status = 'input 90'\n", "bad-address", "'input 90'", "status registers cannot be in the table", "`holding 90`"),
    ("status = 'holding 90..91'\n", "width-mismatch", "'holding 90..91'", "the status takes 4 registers, not 2",
     "only"),
    ("copy = { take = 'holding 0..9', put = 'holding 0..8' }\n", "copy-length-differs", "'holding 0..8'",
     "10 registers are taken and 9 are put", "write `holding 0..9`"),
    ("copy = { take = 'holding 0..9' }\n", "missing-key", "{ take = 'holding 0..9' }", "this copy has no `put`",
     "add `put"),
    ("copy = [{ take = 'holding 0 int16', put = 'holding 0' }]\n", "bad-value", "'holding 0 int16'",
     "a copy carries whole registers as they are", "write `holding 0`, or carry it as one of the `values`"),
    ("copy = [{ take = 'holding 0.3', put = 'holding 0' }]\n", "bad-value", "'holding 0.3'",
     "a copy carries whole registers as they are", "write `holding 0`"),
]  # fmt: skip


@pytest.mark.parametrize(("keys", "name", "pointed", "message", "fix"), TRANSFERS, ids=[each[0] for each in TRANSFERS])
def test_a_broken_key_of_a_transfer_is_found_and_the_rest_is_read(
    keys: str, name: str, pointed: str, message: str, fix: str, only_finding: Judge, with_values: WithValues
) -> None:
    text = with_values(GOOD, transfer=keys)
    found_name, found_at, finding = only_finding(text)
    assert (found_name, found_at) == (name, pointed)
    assert message in finding.message
    assert fix in finding.fix
    transfer = loads(text).plan.transfers[0]
    assert [each.name for each in transfer.values] == ["a"]
    assert transfer.max_age_ns == 5 * transfer.period_ns


CONTROLLERS = [
    ("conect = 'x'\n", "unknown-key", "conect", "`conect` is no key of a controller", "`connect` is there already"),
    ("unit = 256\n", "bad-value", "256", "`unit` cannot be 256", "write a number from 0 to 255"),
    ("unit = '1'\n", "wrong-kind", "'1'", "`unit` is text where a whole number is wanted", "take the quotes away: `1`"),
    ("unit = 1.0\n", "wrong-kind", "1.0", "`unit` is a number where a whole number is wanted", "write `1`"),
    ("limits = 5\n", "wrong-kind", "5", "`limits` is a whole number where a table is wanted", "write a table"),
    ("identity = { revison = 'V2', vendor = 'x' }\n", "unknown-key", "revison", "`revison` is no key of an identity",
     "write `revision`"),
    ("revision = 'V2'\n", "unknown-key", "revision", "`revision` is no key of a controller",
     "move it: `revision` belongs in the table of an identity"),
    ("rate = 5\n", "unknown-key", "rate", "`rate` is no key of a controller",
     "move it: `rate` belongs in the table of `limits`"),
    ("limits = { reed = 5 }\n", "unknown-key", "reed", "`reed` is no key of `limits`", "write `read`"),
    ("limits = { read = 126 }\n", "bad-value", "126", "`read` cannot be 126", "write a number from 1 to 125"),
    ("limits = { write_bits = 0 }\n", "bad-value", "0", "`write_bits` cannot be 0", "write a number from 1 to 1968"),
    ("limits = { rate = 0 }\n", "bad-value", "0", "`rate` cannot be 0", "how many requests a second"),
    ("limits = { rate = inf }\n", "bad-value", "inf", "`rate` cannot be inf", "write a number"),
    ("limits = { gap = '5' }\n", "bad-duration", "'5'", "the duration `5` has no unit", "write `5 ms`"),
    ("limits = { timeout = '0 s' }\n", "bad-duration", "'0 s'", "`timeout` cannot be 0 s", "greater than zero"),
    ("limits.gap = 5\n", "wrong-kind", "5", "`gap` is a number without a unit of time", 'write `gap = "5 ms"`'),
    ("response = { fixed = '5' }\n", "bad-duration", "'5'", "the duration `5` has no unit", "write `5 ms`"),
    ("readable = ['holding 0-9']\n", "bad-address", "0-9", "`0-9` is no address", "write `holding 0..9`"),
    ("readable = 'holding 0..9'\n", "wrong-kind", "'holding 0..9'", "`readable` is text where a list is wanted",
     "write a list"),
    ("simulate.holes = ['coil 3.1']\n", "bad-address", "3.1", "a single bit already", "take `.1` away"),
    ("simulate.signals = [{ at = 'holding 0' }]\n", "missing-key", "{ at = 'holding 0' }",
     "this signal has no `shape`", "add"),
    ("simulate.signals = [{ at = 'holding 0', shape = 'sin' }]\n", "bad-value", "sin", '`shape` cannot be "sin"',
     '"sine"'),
    ("simulate.signals = [{ at = 'holding 0..9', shape = 'sine' }]\n", "bad-value", "'holding 0..9'", "cannot move",
     "number"),
    ("simulate.signals = [{ at = 'holding 0', shape = 'sine', low = 101 }]\n", "bad-value", "101",
     "`low` is greater", "exch"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("keys", "name", "pointed", "message", "fix"), CONTROLLERS, ids=[each[0] for each in CONTROLLERS]
)
def test_a_broken_key_of_a_controller_is_found(
    keys: str, name: str, pointed: str, message: str, fix: str, only_finding: Judge, with_values: WithValues
) -> None:
    head = f'[controller.hall]\nconnect = "tcp://hall"\n[controller.skid]\nconnect = "tcp://skid"\n{keys}'
    found_name, found_at, finding = only_finding(with_values(GOOD, controllers=head))
    assert (found_name, found_at) == (name, pointed)
    assert message in finding.message
    assert fix in finding.fix


def test_a_controller_that_cannot_be_used_is_named_once(only_finding: Judge, with_values: WithValues) -> None:
    """The transfer that names it is left out, without a finding of its own."""
    text = with_values(GOOD).replace('"tcp://10.20.0.11"', '"10.20.0.11"')
    assert only_finding(text)[:2] == ("bad-connect", '"10.20.0.11"')
    plan = loads(text).plan
    assert ([each.name for each in plan.controllers], plan.transfers) == (["hall"], ())


def test_an_unknown_controller_is_named_with_the_nearest(only_finding: Judge, with_values: WithValues) -> None:
    name, pointed, finding = only_finding(with_values(GOOD).replace('from = "skid"', 'from = "skit"'))
    assert (name, pointed, finding.fix) == ("unknown-controller", '"skit"', 'write "skid"')
    assert finding.expected == "`skid` or `hall`"


@pytest.mark.parametrize(
    ("every", "pointed", "expected"),
    [("0.9 ms", '"0.9 ms"', "1 ms to 24 h"), ("25 h", '"25 h"', "1 ms to 24 h"), ("0 s", '"0 s"', "1 ms to 24 h")],
)
def test_a_period_has_bounds(
    every: str, pointed: str, expected: str, only_finding: Judge, with_values: WithValues
) -> None:
    name, at, finding = only_finding(with_values(GOOD).replace("200 ms", every))
    assert (name, at, finding.expected) == ("bad-duration", pointed, expected)


@pytest.mark.parametrize("keys", ["", "values = []\n", "copy = []\n", "values = []\ncopy = []\n"])
def test_a_transfer_carries_something(keys: str, only_finding: Judge, with_values: WithValues) -> None:
    name, pointed, finding = only_finding(with_values(transfer=keys))
    assert (name, pointed, finding.message) == ("missing-key", "water", "transfer `water` carries nothing")


def test_an_empty_plan_says_what_is_missing() -> None:
    messages = [each.message for each in loads("").findings]
    assert messages == ["the plan has no controllers", "the plan has no transfers"]


@pytest.mark.parametrize("name", ['""', '" "', '"a\\nb"', f'"{"x" * 61}"', "all"])
def test_a_name_that_cannot_stand_in_a_sentence_is_refused(
    name: str, only_finding: Judge, with_values: WithValues
) -> None:
    text = with_values(GOOD, more=f"[controller.{name}]\nconnect = 'tcp://oxygen'\n")
    assert only_finding(text)[:2] == ("bad-value", name)


def test_one_mistake_does_not_hide_the_next(with_values: WithValues) -> None:
    text = with_values(
        '{ name = "a", take = "holding 0 floot32", put = "holding 100", scale = [1], rnage = [0, 1] },',
        transfer="max_age = '1'\nstatus = 'coil 1'\n",
    )
    found = [(each.name, each.span.line) for each in loads(text).findings if each.span]
    assert found == [
        ("bad-duration", 11),
        ("bad-address", 12),
        ("bad-address", 14),
        ("bad-value", 14),
        ("unknown-key", 14),
    ]


def test_duplicates_show_both_places(only_finding: Judge, with_values: WithValues) -> None:
    _, _, finding = only_finding(with_values(f"{GOOD}\n{GOOD}"))
    (related,) = finding.related
    assert finding.span is not None
    assert related.span is not None
    assert (related.span.line, finding.span.line) == (12, 13)


# Not TOML at all.


NOT_TOML = [
    # text, place, part of the message, part of the fix
    (
        "title = Hatchery\n",
        (1, 9, 10),
        "the value cannot be read",
        'put text in quotes, as in `every = "200 ms"`, and close every bracket before it',
    ),
    ("a = 1 2\n", (1, 7, 8), "something follows where the line should end", "put text in quotes"),
    ("a = 1\n  é = 2\n", (2, 3, 4), "a line cannot begin like this", "write `key = value`"),
    ("a = 1\nb\n", (2, 2, 3), "a key has no `=` after it", "write `key = value`, or `[table]`"),
    ("é = 1\n", (1, 1, 2), "a line cannot begin like this", "write `key = value`"),
    ("[a\nb = 1\n", (1, 3, 4), "the name of a table is not closed", "write `[controller.skid]`"),
    ("a = 'x\nb = 'y'\n", (1, 7, 8), "a text in quotes is not closed on its line", "close the quotes"),
    ('a = "x\nb = 1\n', (1, 7, 8), "a text in quotes is not closed on its line", "close the quotes"),
    ("a = 'x\n", (2, 1, 2), "a text in quotes is never closed", "close the quotes"),
    ('a = """x\n', (2, 1, 2), "a text in quotes is never closed", "close the quotes"),
    ("a = [1,\n", (2, 1, 2), "a list in square brackets is never closed", "close the bracket"),
    ("a = [1 2]\n", (1, 8, 9), "a list in square brackets is not closed", "write a comma"),
    ("a = { b = 1\n}\n", (1, 12, 13), "a table in braces is not closed on its line", "on one line"),
    ("a = { b = 1, }\n", (1, 14, 15), "a key cannot begin like this", "take a comma before a closing brace away"),
    ('a = "\\q"\n', (1, 6, 7), "begins an escape", "write the backslash twice, or put the text in single quotes"),
    ("a = 1\na = 2\n", (2, 1, 2), "the key `a` is there twice", "each key may be there once"),
    ("[a]\nb = 1\n[ a ]\n", (3, 3, 4), "`a` is there twice", "put the two together"),
    ("[[a]]\n[a]\n", (2, 2, 3), "`a` is there twice", "put the two together"),
    ("a = { b = 1, b = 2 }\n", (1, 14, 15), "the key `b` is there twice", "each key may be there once"),
    ("# \x01\n", (1, 3, 4), "a control character", "take it away"),
    ("a = " + "[" * 100_000, (1, 1, 2), "too deep inside one another", "take brackets away"),
    ("b = 1\na = " + "9" * 5000, (2, 5, 6), "a number has too many digits", "with fewer digits"),
]


@pytest.mark.parametrize(("text", "place", "message", "fix"), NOT_TOML, ids=[each[0][:20] for each in NOT_TOML])
def test_what_is_not_toml_is_one_finding_with_its_place(
    text: str, place: tuple[int, int, int], message: str, fix: str
) -> None:
    for same in (text, text.replace("\n", "\r\n"), "\ufeff" + text):
        loaded = loads(same)
        (finding,) = loaded.findings
        assert finding.name == "not-toml"
        assert finding.span is not None
        assert (finding.span.line, finding.span.column, finding.span.column_end) == place
        assert finding.message.startswith("the file cannot be read as TOML: ")
        assert message in finding.message
        assert fix in finding.fix
        assert loaded.plan.controllers == ()


@pytest.mark.parametrize(
    ("text", "first"), [("[ a ]\nb = 1\n[a]\n", (1, 3)), ("[a]\nb = 1\n[c]\nb = 2\nb = 3\n", (4, 1))]
)
def test_what_is_there_twice_shows_the_first_one(text: str, first: tuple[int, int]) -> None:
    (related,) = loads(text).findings[0].related
    assert related.span is not None
    assert (related.span.line, related.span.column) == first
