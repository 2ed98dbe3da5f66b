"""Papers and logs forged by somebody who has the archive: what is accepted, and what genuine is refused.

    python tests/fault/forgeries.py --papers 2000        (make forgeries)

1. A log that a board chained with its key, its newest samples in a closed segment or in the open one, sealed
   or not. One of the paper's samples is made cleaner, its CRC made right again; the chain behind it is left,
   made anew with another key, made anew without one, or the whole log is made anew without any chain. The PC
   has the board's key, none, or another. Nothing may be issued, accepted or called supported, unless the
   answer says in words that it is not proven; and nothing genuine may be refused to who has the key.
2. Every field of a genuine paper, changed, with digest and page made anew. `verify` must speak against it, or
   list the field as the paper's own word.
3. Genuine papers of random logs: none may be refused.

HMAC and seals are made here with `hmac` of the standard library, by docs/log_format.md and docs/link.md.
"""

from __future__ import annotations

import argparse
import copy
import hmac
import itertools
import json
import os
import struct
import sys
import tempfile
import zlib
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import absurd_records
import synthetic_log as sl
from skidboard import records
from skidwright.papers import certificate, proof

KEY, OTHER = bytes(range(32)), bytes(32)
SEGMENT, HEAD, SLOT = records.SEGMENT_BYTES, records.HEADER_BYTES, records.RECORD_BYTES
SIGNED = ("--asset", "1", "--by", "A. Moe")
TARGET = ("--target", "18/16/13")


def keyed(raw: bytes, key: bytes | None, chain: int, first: int = 0) -> bytes:
    """A log's digests made anew from segment `first` on, with `key`, or plain; headers say `chain`."""
    out = bytearray(raw)
    for at in range(first * SEGMENT, len(out), SEGMENT):
        out[at + 5] = chain
        if at:
            before = bytes(out[at - SEGMENT : at])
            digest = hmac.digest(key, before, "sha256") if key else sl.hashlib.sha256(before).digest()
            out[at + 28 : at + 60] = digest
        out[at + 60 : at + 64] = struct.pack("<I", zlib.crc32(out[at : at + 60]))
    return bytes(out)


def seal(raw: bytes, key: bytes) -> bytes:
    """The board's seal over all of a log's last segment, by "SEAL" in docs/link.md."""
    last = (len(raw) - 1) // SEGMENT
    block = raw[last * SEGMENT :]
    numbers = (sl.LOG, last, len(block), 1, 99, 10**9)
    head = struct.pack("<16s8sIIHHIQ16s", b"skidboard seal 1", sl.DEVICE, *numbers, b"n" * 16)
    return head + hmac.digest(key, head + block, "sha256")


def rows(where: str, seed: int = 1, per_ml: tuple[float, ...] = sl.PER_ML) -> np.ndarray:
    """A log whose newest samples of asset 1 stand in its open segment, or in the last closed one."""
    count = 58 if where == "open" else 54
    body = sl.samples(count, seed=seed, first_seq=2, per_ml=per_ml)
    last = [] if where == "open" else [sl.event(records.MARK, 56, 1, 10**8, text="the end")]
    return sl.merged(
        sl.event(records.BOOT, 0, 1, 10, text="skidboard 0.1.0"),
        sl.contact(1, 1, 60_000, sl.START_UTC_MS + 60_000), body, *last,
    )  # fmt: skip


class Bench:
    """An archive of one log in a shop's folder; the key file that commands are given is `self.key`."""

    def __init__(self, folder: Path) -> None:
        self.shop = absurd_records.Shop(folder)
        (folder / "skid.toml").write_text(
            '[[asset]]\nnumber = 1\nname = "Invented mill"\ntarget = "18/16/13"\nwater_limit_percent = 50\n'
        )
        self.log = self.shop.log
        self.keys = {"own": folder / "own.key", "another": folder / "another.key"}
        self.keys["own"].write_text(KEY.hex())
        self.keys["another"].write_text(bytes(range(9, 41)).hex())

    def put(self, raw: bytes, seals: bytes = b"") -> None:
        self.log.write_bytes(raw)
        self.log.with_suffix(".seals").unlink(missing_ok=True)
        if seals:
            self.log.with_suffix(".seals").write_bytes(seals)

    def run(self, key: str, *arguments: str) -> tuple[int, str]:
        """Exit status, and all that was said."""
        given = ("--key", str(self.keys[key])) if key in self.keys else ()
        status, out, err = self.shop.run(*arguments, *given)
        return status, out + err

    def issue(self, key: str = "own") -> str:
        """A certificate in paper.html; what was said when there is none."""
        Path("paper.html").unlink(missing_ok=True)
        status, said = self.run(key, "certificate", *SIGNED, *TARGET, "-o", "paper.html")
        return "" if status == 0 else said


COMMANDS: tuple[tuple[str, ...], ...] = (
    ("certificate", *SIGNED, *TARGET, "-o", "forged.html"),
    ("receive", "--asset", "1", "--target", "18/16/13", "--dry-run"),
    ("slip", "--asset", "1", *TARGET),
    ("verify", "paper.html"),
)
ACTS = {  # how a forger makes the log behind the changed record anew: key, chain in the headers, from where
    "nothing else": None,
    "digests with a key of his own": (OTHER, 1),
    "plain digests from there on": (None, 0),
    "plain digests that pass for keyed": (None, 1),
    "all without a key": (None, 0),
}
_FEW = (("nothing else", "own"), ("all without a key", "own"), ("nothing else", "none"))
NOT_PROVEN = ("is not proven", "without a key", "not proven is")


def forged_logs(bench: Bench, found: Counter[str], full: bool) -> None:
    """Part 1, added to `found`."""
    few = (("open", True), ("closed", False))
    for where, sealed in itertools.product(("open", "closed"), (True, False)) if full else few:
        dirty = rows(where)
        raw = keyed(sl.log_bytes(dirty), KEY, 1)
        seals = seal(raw, KEY) if sealed else b""
        proven = where == "closed" or sealed
        bench.put(raw, seals)
        said = bench.issue()
        found["genuine logs"] += 1
        if proven and said:
            found[f"refused: certificate on a genuine log ({where}, sealed {sealed}): {said[:200]}"] += 1
        if not proven and not said:
            found["accepted: a certificate on an open segment that nothing seals"] += 1
        for command in COMMANDS if proven else ():
            status, said = bench.run("own", *command)
            if status:
                found[f"refused: {command[0]} on a genuine log ({where}): {said[:300]}"] += 1
        for act, key in itertools.product(ACTS, ("own", "none", "another")) if full else _FEW:
            _one_log(bench, found, (where, sealed, raw, seals, proven), act, key)


def _one_log(bench: Bench, found: Counter[str], log: tuple[Any, ...], act: str, key: str) -> None:
    where, sealed, raw, seals, proven = log
    bench.put(raw, seals)
    if proven and bench.issue():
        return
    cleaner = bytearray(raw)
    block, slot = (2, 2) if where == "open" else (1, 26)
    at = block * SEGMENT + HEAD + slot * SLOT
    cleaner[at + 44 : at + 48] = struct.pack("<I", 100)  # fewer particles >=4 um(c) than there were
    cleaner[at + 140 : at + 144] = struct.pack("<I", zlib.crc32(cleaner[at : at + 140], records.CRC_CARRY))
    how = ACTS[act]
    forged = bytes(cleaner)
    if how is not None:
        forged = keyed(forged, how[0], how[1], 0 if act == "all without a key" else block + 1)
    bench.put(forged, seals)
    for command in COMMANDS if proven else COMMANDS[:3]:
        status, said = bench.run(key, *command)
        found["forged logs"] += 1
        if status:
            continue
        honest = act == "all without a key" and key == "none" and command[0] != "verify"
        if command[0] == "certificate":
            stated = certificate.read(Path("forged.html"))[0]["logs"][0]["chain"]
            honest = honest and stated == proof.STATED[proof.NO_KEY]
        elif honest:
            honest = any(words in said for words in NOT_PROVEN) or command[0] == "receive"
        if honest:
            found["said as not proven"] += 1
        else:
            found[f"accepted: {command[0]}, {where}, sealed {sealed}, {act}, key {key}"] += 1


def paths_of(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The place of every single value in a paper's content."""
    if isinstance(value, dict):
        return [p for name, item in value.items() for p in paths_of(item, (*path, name))]
    if isinstance(value, list) and value:
        return [p for place, item in enumerate(value) for p in paths_of(item, (*path, place))]
    return [path]


def changed(value: Any) -> list[Any]:
    """Other values in place of one."""
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, (int, float)):
        return [value + 1, value * 1.02 + 0.001 if isinstance(value, float) else value + 7]
    if isinstance(value, str) and value[:4].isdecimal() and "T" in value:
        return [f"{int(value[:4]) + 30}{value[4:]}", f"{int(value[:4]) - 5}{value[4:]}"]
    return ["something else" if isinstance(value, str) else 5]


def forged_papers(bench: Bench, found: Counter[str], full: bool = True) -> None:
    """Part 2, added to `found`."""
    for key in ("own", "none") if full else ("none",):
        raw = sl.log_bytes(rows("closed"))
        bench.put(keyed(raw, KEY, 1) if key == "own" else raw)
        said = bench.issue(key)
        assert not said, said
        stated, _ = certificate.read(Path("paper.html"))
        places = paths_of({name: value for name, value in stated.items() if name != "digest"})
        for path in places if full else places[::3]:
            place: Any = stated
            for step in path:
                place = place[step]
            for other in changed(place) if full else changed(place)[:1]:
                _one_paper(bench, found, stated, path, other, key)


def _one_paper(
    bench: Bench, found: Counter[str], stated: dict[str, Any], path: tuple[Any, ...], other: Any, key: str
) -> None:
    forged = copy.deepcopy(stated)
    place: Any = forged
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = other
    forged["digest"] = certificate.digest_of(forged)
    found["forged papers"] += 1
    try:
        Path("field.html").write_text(certificate.render(forged), encoding="utf-8")
    except Exception:
        return  # no page can be made of it, so there is no paper
    status, said = bench.run(key, "verify", "field.html", "--json")
    if status:
        return
    own = next((line for line in json.loads(said)["open"] if line.startswith("its own word")), "")
    # Of how the machine stands a part is worked out again, so a part only is the paper's word.
    if "/".join(map(str, path[:2] if path[0] == "stands" else path[:1])) in own:
        found["listed as its own word"] += 1
    else:
        found[f"accepted: field {'/'.join(map(str, path))} as {other!r}"] += 1


def genuine(bench: Bench, found: Counter[str], papers: int, first: int = 0) -> None:
    """Part 3, added to `found`."""
    for seed in range(first, first + papers):
        dice = np.random.default_rng(seed)
        level = tuple(np.array(sl.PER_ML) * dice.uniform(0.05, 0.6))
        raw = sl.log_bytes(rows("closed" if seed % 2 else "open", seed, level))
        bench.put(raw)
        if bench.issue("none"):
            found["not issued"] += 1
            continue
        found["genuine papers"] += 1
        status, said = bench.run("none", "verify", "paper.html")
        if status:
            line = next((line for line in said.splitlines() if "AGAINST" in line), said)
            found[f"refused: seed {seed}: {line[:200]}"] += 1


def sweep(folder: Path, papers: int, full: bool = True) -> Counter[str]:
    """All three parts."""
    bench = Bench(folder)
    found: Counter[str] = Counter()
    forged_logs(bench, found, full)
    forged_papers(bench, found, full)
    genuine(bench, found, papers)
    return found


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--papers", type=int, default=2000)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
        found = sweep(Path(folder), given.papers)
        os.chdir("/")
    for what, times in sorted(found.items()):
        print(f"{times:6} {what}")
    bad = sum(times for what, times in found.items() if what.startswith(("accepted", "refused")))
    return 1 if bad or not found["genuine papers"] or not found["forged papers"] else 0


if __name__ == "__main__":
    sys.exit(main())
