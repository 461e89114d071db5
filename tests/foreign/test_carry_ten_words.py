"""Ten words from one foreign server to another, every 200 ms, by the real program with the documented example.

The source (C, libmodbus) changes all ten words together before each reading: in its n-th set word i is 16 n + i, so
that a torn or shifted set is no set at all. The receiver (pymodbus) keeps a list of every write it took.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = [pytest.mark.foreign, pytest.mark.slow]

Start = Callable[..., Any]
WORDS = 10
STATUS = 90
EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "ten_words.toml"
SOURCE_PORT, RECEIVER_PORT = "15031", "15032"


def plan_for(source_port: int, receiver_port: int, directory: Path) -> Path:
    """The example with the ports of the peers."""
    text = EXAMPLE.read_text(encoding="utf-8")
    assert text.count(SOURCE_PORT) == text.count(RECEIVER_PORT) == 1
    plan = directory / "ten_words.toml"
    text = text.replace(SOURCE_PORT, str(source_port)).replace(RECEIVER_PORT, str(receiver_port))
    plan.write_text(text, encoding="utf-8")
    return plan


def run_wherry(*arguments: object) -> tuple[int, dict[str, Any]]:
    """The program in a process of its own; exit code and JSON answer."""
    command = [str(Path(sys.executable).with_name("wherry")), *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, stdin=subprocess.DEVNULL)
    assert done.stdout, done.stderr
    return done.returncode, json.loads(done.stdout)


def test_ten_words_are_carried_whole_and_counted(start_peer: Start, tmp_path: Path) -> None:
    source, receiver = start_peer("c_server", "--moving"), start_peer("pymodbus_server")
    plan = plan_for(source.port, receiver.port, tmp_path)
    code, answer = run_wherry("run", plan, "--arm", "hall", "--for", "5s", "--json")
    served, took = source.finish(), receiver.finish()
    words, skid, hall = answer["transfers"]["words"], answer["controllers"]["skid"], answer["controllers"]["hall"]
    delivered = [values for _, address, values in took["writes"] if address == 0]
    told = [values for _, address, values in took["writes"] if address == STATUS]

    # Every set that arrived is one that the source held: whole, newer than the one before it, and none twice.
    sets = [values[0] // 16 for values in delivered]
    assert delivered == [[16 * number + word for word in range(WORDS)] for number in sets]
    assert sets == sorted(set(sets))
    assert 1 <= sets[0] <= sets[-1] <= served["sets"]

    # The counts are exact, at both ends.
    assert words["scheduled"] == words["delivered"] + words["skipped"] + words["failed"]
    assert words["delivered"] == len(delivered)
    assert skid["requests"] == skid["replies"] == served["requests"] == served["sets"]
    assert hall["requests"] == hall["replies"] == len(took["writes"]) == len(delivered) + len(told)
    assert served["writes"] == took["reads"] == 0
    assert hall["refused_writes"] == skid["refused_writes"] == 0

    # It went well: five seconds hold 25 releases; a busy machine may cost some, never most of them.
    assert code == 0, answer
    assert words["delivered"] >= 15, words
    assert words["age_ms"]["max"] <= 1000
    assert {function for function, _, _ in took["writes"]} == {0x10}
    assert len(delivered) + len(told) == len(took["writes"]), "a write that is neither words nor status"

    # The receiver was told: the heartbeat moves with each status, the last word is that it is over.
    assert [status[0] for status in told] == list(range(1, len(told) + 1))
    assert [status[1] for status in told[-2:]] == [2, 0]
    assert told[-1][3] == len(delivered)


def test_nothing_is_written_unless_armed(start_peer: Start, tmp_path: Path) -> None:
    source, receiver = start_peer("c_server", "--moving"), start_peer("pymodbus_server")
    plan = plan_for(source.port, receiver.port, tmp_path)
    code, answer = run_wherry("run", plan, "--for", "1500ms", "--json")
    words = answer["transfers"]["words"]
    assert receiver.finish() == {"reads": 0, "writes": []}
    assert source.finish()["sets"] == answer["controllers"]["skid"]["requests"] >= 3
    assert words["delivered"] == 0
    assert words["skipped_unarmed"] >= 3
    assert words["scheduled"] == words["delivered"] + words["skipped"] + words["failed"]
    assert code == 0
