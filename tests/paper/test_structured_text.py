"""The receiver's block: it says what the registers hold, and reads like a program that a compiler takes."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wherry.engine.building import conversion_of
from wherry.paper.iec_names import KEYWORDS, LENGTH_MAX, Names, identifier
from wherry.paper.structured_text import Block, Input, age_allowed_ms, blocks_of
from wherry.plan import load, loads
from wherry.plan.model import Plan

MS = 1_000_000
EXAMPLE = Path(__file__).parents[2] / "examples" / "hatchery.toml"


def plan_of(values: str, *, transfer: str = "") -> Plan:
    loaded = loads(
        f"""
        [controller.skid]
        connect = "tcp://127.0.0.1:15021"
        [controller.hall]
        connect = "tcp://127.0.0.1:15022"
        [transfer.water]
        from = "skid"
        to = "hall"
        every = "200 ms"
        max_age = "1 s"
        status = "holding 90"
        {transfer}
        values = [ {values} ]
        """,
        "plan.toml",
    )
    assert loaded.findings == ()
    return loaded.plan


def block_of(values: str, *, transfer: str = "") -> Block:
    (block,) = blocks_of(plan_of(values, transfer=transfer), "hall")
    return block


def words_of(block: Block, registers: dict[int, int], coils: dict[int, bool] | None = None) -> dict[str, Any]:
    """What each input is given, from what the receiver holds."""

    def content(each: Input) -> Any:
        return (coils or {}).get(each.address, False) if each.type == "BOOL" else registers.get(each.address, 0)

    return {each.name: content(each) for each in block.inputs}


def scanned(language: Any, block: Block, registers: dict[int, int], coils: dict[int, bool] | None = None) -> Any:
    """The block after two scans in which the heartbeat moved and all was Good."""
    made = language.instance(block.text)
    for beat in (7, 8):
        made.scan(10 * beat, **words_of(block, {90: beat, 91: 2, 92: 3, 93: 1, **registers}, coils))
    assert made["Usable"]
    assert made["FallBack"] is False
    return made


NUMBERS = {
    "int16": st.integers(-(1 << 15), (1 << 15) - 1),
    "uint16": st.integers(0, (1 << 16) - 1),
    "int32": st.integers(-(1 << 31), (1 << 31) - 1),
    "uint32": st.integers(0, (1 << 32) - 1),
    "int64": st.integers(-(1 << 63), (1 << 63) - 1),
    "uint64": st.integers(0, (1 << 64) - 1),
    "float32": st.floats(width=32, allow_nan=False, allow_infinity=False),
    "float64": st.floats(allow_nan=False, allow_infinity=False),
    "bcd16": st.integers(0, 9999),
    "bcd32": st.integers(0, 99_999_999),
}


@pytest.mark.parametrize("order", ["ABCD", "CDAB", "BADC", "DCBA"])
@pytest.mark.parametrize("kind", list(NUMBERS))
def test_what_was_put_is_what_the_program_sees(language: Any, kind: str, order: str) -> None:
    take = "float64" if kind.startswith("float") else ("uint64" if kind in ("uint64", "bcd16", "bcd32") else "int64")
    block = block_of(f'{{ name = "level", take = "holding 0 {take}", put = "holding 100 {kind} {order}" }}')
    (value,) = block.transfer.values
    conversion = conversion_of(value)

    @given(NUMBERS[kind])
    def check(number: float) -> None:
        data = conversion.put(number)
        registers = dict(enumerate(struct.unpack(f">{len(data) // 2}H", data), 100))
        assert scanned(language, block, registers)["Level"] == number

    check()


def test_a_scaled_value_comes_back_in_its_unit(language: Any) -> None:
    block = block_of(
        '{ name = "water temperature", take = "holding 0 float32", put = "holding 100 float32 CDAB",'
        ' unit = "degC", put_unit = "degF" },'
        '{ name = "oxygen", take = "holding 2 float32", put = "holding 102 int16", scale = [0, 20, -1000, 1000],'
        ' unit = "mg/L" }'
    )
    high, low = struct.unpack(">2H", struct.pack(">f", 53.6))
    made = scanned(language, block, {100: low, 101: high, 102: 0x10000 - 500})
    assert made["WaterTemperature"] == pytest.approx(12, abs=1e-5)
    assert made["Oxygen"] == pytest.approx(5, abs=1e-5)
    assert "in degC" in block.text


def test_bits_come_from_coils_and_from_registers(language: Any) -> None:
    block = block_of(
        '{ name = "pump", take = "coil 0", put = "coil 5" },{ name = "alarm", take = "coil 1", put = "holding 100.15" }'
    )
    made = scanned(language, block, {100: 0x8000}, {5: True})
    assert made["Pump"] is True
    assert made["Alarm"] is True
    made = scanned(language, block, {100: 0x7FFF}, {5: False})
    assert made["Pump"] is False
    assert made["Alarm"] is False


def test_what_is_not_unpacked_is_named() -> None:
    block = block_of('{ name = "tag (* x *)", take = "holding 0 string(8)", put = "holding 100 string(8)" }')
    assert block.outputs == ()
    assert block.left_out == ("tag (* x *): text at holding 100..103, taken from there as they are",)
    assert "Not unpacked: tag ( * x * ):" in block.text


VALUE = '{ name = "level", take = "holding 0 int16", put = "holding 100 int16", substitute = -7 }'


def scan(block: Block, made: Any, now_ms: int, beat: int, quality: int = 2, age: int = 3, level: int = 40) -> None:
    made.scan(now_ms, **words_of(block, {90: beat, 91: quality, 92: age, 93: 1, 100: level & 0xFFFF}))


def test_what_stood_there_before_the_start_proves_nothing(language: Any) -> None:
    block = block_of(VALUE)
    made = language.instance(block.text)
    for now_ms in range(0, 5000, 20):
        scan(block, made, now_ms, beat=1)
        assert made["FallBack"] is True
        assert made["Reason"] in (1, 2)
    scan(block, made, 5000, beat=2)
    assert made["FallBack"] is False
    assert made["Level"] == 40


@pytest.mark.parametrize("age", [0, 3, 900, 1199])
def test_the_age_told_and_the_time_since_count_together(language: Any, age: int) -> None:
    block = block_of(VALUE)
    allowed = age_allowed_ms(block.transfer)
    assert allowed == 1200
    made = language.instance(block.text)
    scan(block, made, 0, beat=1)
    scan(block, made, 10, beat=2, age=age)
    assert made["Usable"]
    for now_ms in range(20, 3000, 10):
        scan(block, made, now_ms, beat=2, age=age)
        # The timer runs from the scan after the one that saw the heartbeat move.
        assert made["FallBack"] is (now_ms - 20 > allowed - age), now_ms
        assert made["Reason"] == (2 if made["FallBack"] else 0)


def test_an_age_that_is_too_much_by_itself(language: Any) -> None:
    block = block_of(VALUE)
    made = language.instance(block.text)
    for beat, age in enumerate((1200, 1201, 65535)):
        scan(block, made, 10 * beat, beat=beat, age=age)
        assert made["FallBack"] is True


def test_a_quality_of_bad_falls_back_at_once_and_good_returns(language: Any) -> None:
    block = block_of(VALUE, transfer='on_loss = "substitute"')
    made = language.instance(block.text)
    assert made["Level"] == -7, "before anything has come it holds the substitute"
    scan(block, made, 0, beat=1)
    scan(block, made, 10, beat=2)
    assert (made["Usable"], made["Level"]) == (True, 40)
    scan(block, made, 20, beat=3, quality=0)
    assert (made["FallBack"], made["Reason"], made["Level"]) == (True, 3, -7)
    scan(block, made, 30, beat=4, quality=77)
    assert (made["FallBack"], made["Reason"]) == (True, 3)
    scan(block, made, 40, beat=5, level=41)
    assert (made["FallBack"], made["Reason"], made["Level"]) == (False, 0, 41)


def test_with_hold_the_last_value_stays(language: Any) -> None:
    block = block_of(VALUE, transfer='on_loss = "hold"')
    made = language.instance(block.text)
    scan(block, made, 0, beat=1)
    scan(block, made, 10, beat=2)
    scan(block, made, 20, beat=3, quality=0, level=99)
    assert (made["FallBack"], made["Level"]) == (True, 40)
    assert "keeps its last value on a loss" in block.text


def test_uncertain_is_borne_as_long_as_it_says(language: Any) -> None:
    block = block_of(VALUE)
    at_once, patient = language.instance(block.text), language.instance(block.text)
    fell_ms: dict[str, int] = {}
    for now_ms in range(0, 2000, 10):
        registers = {90: now_ms // 10, 91: 2 if now_ms < 500 else 1, 92: 3, 93: 1, 100: 40}
        at_once.scan(now_ms, **words_of(block, registers))
        patient.scan(now_ms, UncertainMax=300, **words_of(block, registers))
        for name, made in (("at once", at_once), ("patient", patient)):
            if now_ms >= 20 and made["FallBack"]:
                fell_ms.setdefault(name, now_ms)
    assert fell_ms == {"at once": 500, "patient": 800}
    assert patient["Reason"] == 4


@pytest.mark.parametrize(("kind", "address"), [("uint16", 95), ("uint32", 96), ("uint32 CDAB", 95)])
def test_the_sources_own_counter_is_watched_where_it_is_passed_on(language: Any, kind: str, address: int) -> None:
    block = block_of(VALUE, transfer=f'alive = "holding 9 {kind}"\nalive_put = "holding 95 {kind}"')
    assert block.has_source_counter
    made = language.instance(block.text)
    registers = {91: 2, 92: 3, 93: 1, 100: 40}
    for now_ms in range(0, 4000, 20):
        counter = min(now_ms, 1000) // 20
        made.scan(now_ms, **words_of(block, {90: now_ms // 20, address: counter, **registers}))
        if 20 <= now_ms <= 2000:
            assert made["Usable"], now_ms
    assert (made["FallBack"], made["Reason"]) == (True, 5)


def test_a_compiler_that_takes_the_number_for_the_bits_is_found_out(language: Any) -> None:
    """Every test of the conversions that the block relies on must be able to fail."""
    for kind, test in (("int16", "-2"), ("int32", "-2"), ("float32", "1.5"), ("float64", "1.5"), ("int64", "-2")):
        take = "float64" if kind.startswith("float") else "int64"
        block = block_of(f'{{ name = "level", take = "holding 0 {take}", put = "holding 100 {kind}" }}')
        (condition,) = block.tests
        assert condition.endswith(f"= {test}")
        broken = block.text.replace(f"({condition})", f"({condition.replace('= ' + test, '= ' + test + '0')})")
        if "." not in test:
            broken = block.text.replace(f"({condition})", f"({condition}0)")
        else:
            broken = block.text.replace(f"({condition})", f"({condition}1)")
        assert broken != block.text
        made = language.instance(broken)
        for now_ms in (0, 10, 20):
            scan(block, made, now_ms, beat=now_ms)
            assert (made["FallBack"], made["Reason"]) == (True, 6)


def test_the_example_reads_well() -> None:
    plan = load(EXAMPLE).plan
    texts = [each.text for name in ("hall", "oxygen") for each in blocks_of(plan, name)]
    assert len(texts) == 2
    for text in texts:
        assert text.isascii()
        assert max(map(len, text.splitlines())) <= 120
        assert "not a safety function" in text
    assert blocks_of(plan, "skid") == ()


def test_the_interpreter_refuses_what_a_compiler_refuses(language: Any) -> None:
    text = block_of(VALUE).text
    for good, bad in (
        ("WORD_TO_INT(R100)", "R100"),
        ("Usable := Reason = 0", "Usable := Reason"),
        ("LastHeartbeat := Heartbeat", "LastHeartbeat := Heartbeet"),
        ("HasMoved : BOOL := FALSE;", ""),
        ("T#1ms * WORD_TO_UINT(Age)", "T#1ms * Age"),
        ("Reason := 0;", "Reason := 40000;"),
        ("END_FUNCTION_BLOCK", ""),
        ("Heartbeat <> LastHeartbeat", "Heartbeat > LastHeartbeat"),
    ):
        assert good in text
        with pytest.raises(language.refusal):
            language.instance(text.replace(good, bad, 1))


# Names.


def test_names_are_taken_once_whatever_their_case() -> None:
    names = Names(["Usable"])
    assert names.take("tank 1 oxygen", otherwise="Value") == "Tank1Oxygen"
    assert names.take("TANK-1 oxygen", otherwise="Value") == "TANK1Oxygen_2"
    assert names.take("usable", otherwise="Value") == "Usable_2"
    assert names.take("°", otherwise="Value") == "Value"
    assert names.take("Becken Zürich Größe", otherwise="Value") == "BeckenZurichGrosse"


@given(st.lists(st.text(max_size=60), max_size=30))
def test_any_names_become_identifiers(texts: list[str]) -> None:
    names = Names()
    taken = [names.take(each, otherwise="Value") for each in texts]
    assert len({each.upper() for each in taken}) == len(texts)
    for each in taken:
        assert each.isascii()
        assert each[0].isalpha()
        assert each.replace("_", "").isalnum()
        assert "__" not in each
        assert not each.endswith("_")
        assert len(each) <= LENGTH_MAX
        assert each.upper() not in KEYWORDS


def test_words_of_the_language_are_no_names() -> None:
    for word in KEYWORDS:
        assert identifier(word.lower(), otherwise="Value").upper() not in KEYWORDS
