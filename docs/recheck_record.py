"""Checks a record of Wherry without Wherry: is it as it was written, and what does it come to?

    python recheck_record.py FILE [--head "NUMBER DIGEST"]

Needs nothing but Python's standard library (3.8 or newer), and shares no code with the program that wrote the record.
The format is in record.md beside this file. With --head it is compared with a head that was printed and signed before.

Exit codes: 0 whole; 1 changed; 2 it cannot be read, or the call is wrong; 3 nothing was changed in what is there, but
whoever wrote has not closed it, so that nothing can be said of its end.
"""

import contextlib
import hashlib
import json
import os
import pathlib
import sqlite3
import sys

PAGE, MARK, SEAL_BYTES = 4096, b"wherry seal 0001", 32
APPLICATION, FORMAT = 0x57485259, 1
KEYS = ["at_ns", "data", "kind", "number", "utc"]
QUALITIES = ("bad", "uncertain", "good")
COUNTS = ("scheduled", "delivered", "skipped_overrun", "skipped_unarmed", "skipped_waiting", "failed")


def seal_of(path):
    """Whether the seal in page 2 fits the file: "whole", "open" (still being written, or killed), or "broken"."""
    with open(path, "rb") as file:
        file.seek(PAGE)
        page = file.read(PAGE)
        at = PAGE + page.find(MARK) + len(MARK)
        if page.count(MARK) != 1 or at + SEAL_BYTES > 2 * PAGE:
            return "broken"
        file.seek(at)
        seal = file.read(SEAL_BYTES)
        if seal == bytes(SEAL_BYTES):
            return "open"
        file.seek(0)
        digest = hashlib.sha256(file.read(at) + bytes(SEAL_BYTES))
        file.seek(at + SEAL_BYTES)
        for chunk in iter(lambda: file.read(1 << 20), b""):
            digest.update(chunk)
        return "whole" if digest.digest() == seal else "broken"


def opened(path, is_at_rest):
    """The database, which is only read."""
    uri = pathlib.Path(path).resolve().as_uri() + ("?mode=ro&immutable=1" if is_at_rest else "?mode=ro")
    database = sqlite3.connect(uri, uri=True, isolation_level=None)
    database.execute("BEGIN")
    if database.execute("PRAGMA application_id").fetchone()[0] != APPLICATION:
        raise ValueError("it is no record")
    if database.execute("PRAGMA user_version").fetchone()[0] != FORMAT:
        raise ValueError("it has a format that this script does not know")
    return database


def gaps_of(database):
    """What was taken out to keep the record small, all that ever was: as the last such entry says."""
    query = "SELECT body FROM entry WHERE kind = 'dropped' ORDER BY number DESC LIMIT 1"
    row = database.execute(query).fetchone()
    return json.loads(row[0])["data"]["gaps"] if row else []


def follow(database, gaps, troubles, take):
    """Follow the chain and give each entry to ``take``. Returns the number and the digest of the last one."""
    gaps, last, head = {each["first"]: each for each in gaps}, 0, bytes(32)
    for number, digest, kind, body in database.execute("SELECT number, digest, kind, body FROM entry ORDER BY number"):
        if number != last + 1:
            gap = gaps.pop(last + 1, None)
            if gap is None or gap["last"] != number - 1 or gap["before"] != head.hex():
                troubles.append(f"entries {last + 1} to {number - 1} are missing, and no entry says why")
            else:
                head = bytes.fromhex(gap["after"])
        if hashlib.sha256(head + body.encode("ascii")).digest() != digest:
            troubles.append(f"entry {number} does not fit the one before it")
        said = json.loads(body)
        if sorted(said) != KEYS or said["number"] != number or said["kind"] != kind:
            troubles.append(f"entry {number} contradicts itself")
        take(said)
        last, head = number, digest
    troubles += [f"entries {first} to {gaps[first]['last']} should be gone, and are there" for first in gaps]
    return last, head


def bucket_end_ms(bucket):
    """The largest duration in a bucket of a histogram: 32 buckets to each power of two, on whole microseconds."""
    if bucket < 64:
        return (bucket * 1000 + 999) / 1e6
    shift = (bucket >> 5) - 1
    return ((((bucket & 31) + 33) << shift) * 1000 - 1) / 1e6


def quantile_ms(buckets, share):
    """The end of the bucket that a share of all durations does not exceed."""
    needed = max(1, -int(-sum(buckets.values()) * share // 1))
    seen = 0
    for bucket in sorted(buckets):
        seen += buckets[bucket]
        if seen >= needed:
            return round(bucket_end_ms(bucket), 3)
    return None


def add_up(sessions, said):
    """Add one entry to what the commands that wrote into the record came to."""
    kind, data, at = said["kind"], said["data"], said["at_ns"]
    if kind == "opened":
        sessions.append({"opened": said, "closed": None, "last": 0, "end": 0, "names": {}, "proof": {}})
    if not sessions or sessions[-1]["closed"] or kind in ("opened", "plan", "dropped"):
        return
    session = sessions[-1]
    session["last"], session["end"] = said["number"], max(session["end"], at)
    if kind == "event" and data["event"] == "transfer quality":
        seen = transfer_of(session, data["subject"])
        seen["spent"][seen["quality"]] += at - seen["since"]
        seen["quality"], seen["since"] = data["details"]["quality"], at
    elif kind == "minute":
        for name, more in data["transfers"].items():
            seen = transfer_of(session, name)
            for key in COUNTS:
                seen["counts"][key] += more[key]
            for bucket, count in more["age"]:
                seen["age"][bucket] = seen["age"].get(bucket, 0) + count
    elif kind == "proof":
        result = str(data.get("result", "noted"))
        session["proof"][result] = session["proof"].get(result, 0) + 1
    elif kind == "closed":
        session["closed"] = said


def transfer_of(session, name):
    """What is added up for one transfer; it begins as Bad, because nothing has been carried yet."""
    new = {"counts": dict.fromkeys(COUNTS, 0), "age": {}, "quality": 0, "since": 0, "spent": [0, 0, 0]}
    return session["names"].setdefault(name, new)


def figures_of(seen, end):
    """The main figures of one transfer."""
    spent = list(seen["spent"])
    spent[seen["quality"]] += end - seen["since"]
    ages = {name: quantile_ms(seen["age"], share) for name, share in (("p50", 0.5), ("p99", 0.99), ("max", 1.0))}
    times = {f"{QUALITIES[each]}_s": round(spent[each] / 1e9, 3) for each in range(3)}
    return {**seen["counts"], "age_ms": ages, **times}


def compare(session, gaps, troubles):
    """Hold what was added up against the summary that the command wrote itself, unless entries of it were taken out."""
    first, last = session["opened"]["number"], session["last"]
    if not session["closed"] or any(gap["first"] <= last and gap["last"] >= first for gap in gaps):
        return
    for name, said in session["closed"]["data"].get("summary", {}).get("transfers", {}).items():
        have = figures_of(transfer_of(session, name), session["end"])
        wrong = [key for key in COUNTS if have[key] != said[key]]
        top = said["age_ms"]["max"]
        for key, limit in have["age_ms"].items():
            if said["age_ms"][key] != (None if limit is None or top is None else min(limit, top)):
                wrong.append(f"age {key}")
        troubles += [f"{name}: {key} is not what the summary in entry {last} says" for key in wrong]
        if have["scheduled"] != sum(have[key] for key in COUNTS[1:]):
            troubles.append(f"{name}: scheduled is not delivered + skipped + failed")


def report(sessions):
    """What was added up, as lines."""
    lines = []
    for session in sessions:
        opened = session["opened"]
        where = "simulated controllers" if opened["data"].get("is_simulated") else "site"
        command = f"{opened['data'].get('by')} on {where}"
        end = f"{session['end'] / 1e9:.3f} s" + ("" if session["closed"] else ", NOT CLOSED")
        lines.append(f"entry {opened['number']}: {command}, {opened['utc'] or 'virtual time'}, {end}")
        for name, seen in sorted(session["names"].items()):
            lines.append(f"  {name}: {json.dumps(figures_of(seen, session['end']))}")
        if session["proof"]:
            lines.append(f"  steps of a proof: {json.dumps(session['proof'], sort_keys=True)}")
    return lines


def main(arguments):
    """Check one file; returns the exit code."""
    if len(arguments) not in (1, 3) or (len(arguments) == 3 and arguments[1] != "--head"):
        print(__doc__.strip(), file=sys.stderr)
        return 2
    path, troubles, sessions, lines, last, head = arguments[0], [], [], [], 0, b""
    log = path + "-wal"
    try:
        seal = seal_of(path)
    except OSError as failed:
        print(f"{path} cannot be read: {failed.strerror}", file=sys.stderr)
        return 2
    if seal == "broken":
        troubles.append("the file is not as it was when it was closed, or is no record: the seal does not fit")
    if seal == "whole" and os.path.exists(log) and os.path.getsize(log):
        troubles.append("something was written beside it (the file that ends in -wal) after it was closed")
    try:
        with contextlib.closing(opened(path, seal == "whole" or not os.path.exists(log))) as database:
            gaps = gaps_of(database)
            last, head = follow(database, gaps, troubles, lambda said: add_up(sessions, said))
        for session in sessions:
            compare(session, gaps, troubles)
        lines = report(sessions)
    except (sqlite3.Error, ValueError, KeyError, TypeError, IndexError, AttributeError, OverflowError) as broken:
        troubles.append(f"it cannot be read to its end: {broken}")
    if len(arguments) == 3 and arguments[2].split() != [str(last), head.hex()]:
        troubles.append(f"the head is {last} {head.hex()}, not {arguments[2]}")
    if troubles:
        print(f"{path} IS NOT AS IT WAS WRITTEN:")
        print("\n".join(f"  {each}" for each in troubles[:20]))
        return 1
    print("\n".join([*lines, f"head: {last} {head.hex()}"]))
    if seal == "open":
        print("nothing was changed in these entries, but the record was NOT CLOSED: more may have stood at its end")
        return 3
    print("whole: nothing was changed")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
