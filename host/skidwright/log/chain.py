"""The chain of digests: each segment bears the digest of the one before, by SHA-256 or by HMAC with a key.

A link that holds with the key protects everything before it, since the segment whose HMAC it bears bears
the digest of the one before that. What is behind the last link, the open segment, is protected by CRC only,
unless the board sealed it (see seal.py); a seal that fits protects everything before it, as a link does.
"""

import hashlib
import hmac
import struct
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from skidboard import records

from skidwright.log import seal as seals
from skidwright.log.damage import CHAIN_BREAK, KEY_DROPPED, MAX_FINDINGS, SEAL_BROKEN, Finding
from skidwright.log.segment_check import parse_header, segment_digest

_SIZE = records.SEGMENT_BYTES
_MOST_LINKS_TRIED = 1000
_MOST_REMADE = 16


def remade(block: bytes, before: bytes, chain: int, digest: bytes) -> bytes:
    """A segment with its damaged header made anew from the segment before it and from its own first record.

    All a header says follows from these. Whether it was so shows in the digest that the next segment bears.
    Without a good first record the segment comes back as it is.
    """
    first = block[records.HEADER_BYTES : records.HEADER_BYTES + records.RECORD_BYTES]
    owner = parse_header(before)
    if owner is None or not records.record_ok(first):
        return block
    boot, seq = struct.unpack_from("<HI", first, 2)
    header = bytearray(records.HEADER_BYTES)
    device, log = bytes.fromhex(owner.device), int(owner.log, 16)
    records.pack_header(header, boot, device, log, owner.segment + 1, seq, digest, chain)
    return bytes(header) + block[records.HEADER_BYTES :]


def fitting_key(path: Path, keys: Sequence[bytes]) -> bytes | None:
    """Of several keys that a board has had, the one of this log file; the newest when none fits.

    Raises OSError when the file cannot be read.
    """
    if len(keys) < 2:
        return keys[0] if keys else None
    before: bytes = b""
    with path.open("rb") as file:
        for _ in range(_MOST_LINKS_TRIED):
            block = file.read(_SIZE)
            header = parse_header(block)
            if header is not None and header.chain == records.CHAIN_HMAC and before:
                for key in keys:
                    if segment_digest(before, key) == header.previous_digest:
                        return key
            before = block if header is not None else b""
            if len(block) < _SIZE:
                break
    return keys[-1]


@dataclass(frozen=True)
class ChainResult:
    """Outcome of `ChainVerifier`: links that hold, links not tried, and segments not to be believed.

    `keyed` of the `links` hold with the key; `without_key` of the `untried` are keyed, and no key was given.
    `proven`: first and last record numbers of each stretch that a link or a seal covers which holds with the
    key. `seal`: what the newest seal says. `says_keyed`: a header says that the chain is keyed.
    """

    links: int
    untried: int
    broken_segments: frozenset[int]
    findings: tuple[Finding, ...]
    keyed: int = 0
    without_key: int = 0
    keyed_broken: int = 0
    key_given: bool = False
    proven: tuple[tuple[int, int], ...] = ()
    seal: seals.SealState = field(default_factory=seals.SealState)
    says_keyed: bool = False

    @property
    def wrong_key(self) -> bool:
        """True when keyed links or a seal were tried, and none holds with the key given."""
        nothing = not self.keyed and self.seal.state != seals.HOLDS
        return self.key_given and nothing and (self.keyed_broken > 0 or self.seal.state == seals.NO_FIT)

    @property
    def unchained(self) -> bool:
        """True when there is a key for this board, and its log is not chained with it anywhere."""
        return self.key_given and not self.says_keyed

    def proves(self, first_seq: int, last_seq: int) -> bool:
        """Whether nobody without the key can have changed records `first_seq` to `last_seq` unseen."""
        return any(first <= first_seq and last_seq <= last for first, last in self.proven)

    @property
    def ok(self) -> bool:
        """True when every link that could be tried holds."""
        return not self.findings

    @property
    def protection(self) -> str:
        """What protects the log, in one clause without a full stop."""
        if self.keyed_broken and not self.keyed:
            return "HMAC-SHA-256, but no link holds with the key given: it may be the wrong key"
        if self.keyed:
            return (
                f"HMAC-SHA-256, {self.keyed:,} links tried with the key: nobody without it can have changed "
                f"what is before the newest of them unseen{self._and_sealed}"
            )
        if self.seal.state == seals.HOLDS:
            return f"HMAC-SHA-256, no link yet{self._and_sealed}"
        if self.without_key:
            return (
                f"HMAC-SHA-256, {self.without_key:,} links not tried because no key was given (--key); so "
                "far only damage would show"
            )
        if self.says_keyed:
            return (
                "HMAC-SHA-256, no link yet and no seal: nothing but CRC-32 says that it is the board's"
                if self.key_given
                else "HMAC-SHA-256, no link yet; no key was given (--key), so that nothing was tried with it"
            )
        if self.unchained:
            return (
                f"{'SHA-256' if self.links else 'CRC-32'} without a key, though this board has one: "
                "the log is older than the key, or a forger has made all of it anew"
            )
        if self.links:
            return (
                "SHA-256 without a key: shows damage and single edits, not a forger who makes all later "
                "digests anew"
            )
        return "CRC-32 only: no link of the chain could be tried"

    @property
    def _and_sealed(self) -> str:
        return f"; {self.seal}" if self.seal.state != seals.NOT_SEALED else "; what is newer is not sealed"


@dataclass
class _Stretch:
    """Segments each linked to the next: number of the first record, and the one after the last proven."""

    first_seq: int
    proven_to: int


class ChainVerifier:
    """Compares each segment with the digest of it that the next one bears.

    `key` is needed where that digest is an HMAC; without it such links are counted as untried. `sealed` are
    the seals of the log, the newest last.
    """

    def __init__(self, key: bytes | None = None, workers: int = 2, sealed: Sequence[seals.Seal] = ()) -> None:
        self._key = key
        self._seals = {seal.segment: seal for seal in sealed}
        self._newest_seal = sealed[-1].segment if sealed else -1
        self._seal = (
            seals.SealState(seals.CUT_OFF, segment=self._newest_seal) if sealed else seals.SealState()
        )
        self._stretches: list[_Stretch] = []
        self._previous: tuple[int, bytes] | None = None  # number and bytes of the last block fed
        self._links = self._untried = self._keyed = self._without_key = self._keyed_broken = 0
        self._was_keyed = self._says_keyed = False
        self._findings: list[Finding] = []
        self._broken: set[int] = set()
        # The last segment with a good header before some without one, and those.
        self._sound: tuple[int, bytes] | None = None
        self._headless: list[bytes] = []
        self._pool = ThreadPoolExecutor(workers)

    def __enter__(self) -> "ChainVerifier":
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown()

    def _digest(self, block: bytes | memoryview, keyed: bool) -> bytes:
        if not keyed:
            return hashlib.sha256(block).digest()
        return hmac.digest(self._key, block, "sha256") if self._key else b""

    def _digests(self, blocks: NDArray[np.uint8], keyed: list[bool]) -> list[bytes]:
        """The digests of blocks, each as the next header wants it; empty where the key for it is missing."""
        view = blocks.reshape(-1).data

        def some(start: int, stop: int) -> list[bytes]:
            return [self._digest(view[i * _SIZE : (i + 1) * _SIZE], keyed[i]) for i in range(start, stop)]

        # Hashing lets other threads run, so halves of a large piece are hashed at the same time.
        n = len(keyed)
        if n < 64:
            return some(0, n)
        later = self._pool.submit(some, n // 2, n)
        return some(0, n // 2) + later.result()

    def feed(
        self, blocks: NDArray[np.uint8], headers: NDArray[np.void], good: NDArray[np.bool_], offset: int
    ) -> None:
        """Take the next (n, 4096) blocks with their headers; `good` says which headers can be believed."""
        if not len(blocks):
            return
        keyed = [chain == records.CHAIN_HMAC for chain in headers["chain"].tolist()]
        segments = headers["segment"].tolist()
        first_seqs = headers["first_seq"].tolist()
        claims = headers["previous_digest"]
        digests = [self._digest(self._previous[1], keyed[0]) if self._previous else b""]
        digests += self._digests(blocks[:-1], keyed[1:])
        before = self._previous[0] if self._previous else None
        for i, digest in enumerate(digests):
            if not good[i]:
                if not self._headless and before is not None:
                    last = blocks[i - 1].tobytes() if i else self._previous[1]  # type: ignore[index]
                    self._sound = (before, last)
                if self._sound is not None and len(self._headless) < _MOST_REMADE:
                    self._headless.append(blocks[i].tobytes())
                else:
                    self._sound = None
                self._untried += 1
                before = None
                continue
            if self._sound is not None and self._sound[0] + len(self._headless) + 1 == segments[i]:
                claim = claims[i].tobytes()
                digest = self._over_damaged_headers(claim, keyed[i])
                linked = self._try(segments[i] - 1, digest, claim, keyed[i], offset + i * _SIZE)
                if digest == claim:
                    # With the header that holds them, the links before it hold as well.
                    self._links += len(self._headless)
                    self._untried -= len(self._headless)
            elif before is None or before + 1 != segments[i]:
                self._untried += 1
                self._was_keyed |= keyed[i]
                linked = False
            else:
                linked = self._try(before, digest, claims[i].tobytes(), keyed[i], offset + i * _SIZE)
            self._headless.clear()
            self._sound = None
            before = segments[i]
            self._says_keyed |= keyed[i]
            self._stretch(linked, keyed[i], first_seqs[i])
            if before in self._seals:
                self._try_seal(self._seals[before], blocks[i].tobytes(), first_seqs[i], offset + i * _SIZE)
        self._previous = (before, blocks[-1].tobytes()) if before is not None else None

    def _over_damaged_headers(self, claim: bytes, keyed: bool) -> bytes:
        """The digest of the segment before with its damaged header, and any before it, made anew."""
        assert self._sound is not None
        digest = b""
        for chain in (records.CHAIN_HMAC, records.CHAIN_SHA256) if keyed else (records.CHAIN_SHA256,):
            _, last = self._sound
            for block in self._headless:
                last = remade(block, last, chain, self._digest(last, chain == records.CHAIN_HMAC))
            digest = self._digest(last, keyed)
            if digest == claim:
                break
        return digest

    def _stretch(self, linked: bool, keyed: bool, first_seq: int) -> None:
        """Take a segment into the stretch before it when it is linked to that, or begin another with it."""
        if not linked or not self._stretches:
            self._stretches.append(_Stretch(first_seq, first_seq))
        elif keyed and self._key is not None:
            self._stretches[-1].proven_to = first_seq

    def _try_seal(self, seal: seals.Seal, block: bytes, first_seq: int, where: int) -> None:
        """Try the seal of a segment, whose stretch is the last begun."""
        end = seal.end(first_seq)
        if not seal.all_there(block):
            state = seals.CUT_OFF
        elif self._key is None:
            state = seals.NOT_TRIED
        elif seal.fits(block, self._key):
            state = seals.HOLDS
            self._stretches[-1].proven_to = max(end, self._stretches[-1].proven_to)
        else:
            state = seals.NO_FIT
            self._broken.add(seal.segment)
        if state in (seals.CUT_OFF, seals.NO_FIT):
            self._findings.append(Finding(SEAL_BROKEN, seal.segment, -1, where, 1, state))
        if seal.segment == self._newest_seal:
            self._seal = seals.SealState(state, end - 1, seal.segment)

    def _try(self, segment: int, digest: bytes, claim: bytes, keyed: bool, where: int) -> bool:
        """Compare `segment` with what the next one, at byte `where`, claims of it; whether nothing speaks
        against it.
        """
        holds = True
        if keyed and self._key is None:
            self._untried += 1
            self._without_key += 1
        elif not hmac.compare_digest(digest, claim):
            holds = False
            self._keyed_broken += keyed
            self._broken.add(segment)
            detail = f"segment {segment} is not what segment {segment + 1} followed"
            self._findings.append(Finding(CHAIN_BREAK, segment, -1, where, 1, detail))
        else:
            self._links += 1
            self._keyed += keyed
        if self._was_keyed and not keyed:
            # Else a forger could leave the key away from here on.
            holds = False
            self._broken.add(segment)
            self._findings.append(Finding(KEY_DROPPED, segment + 1, -1, where))
        self._was_keyed = keyed
        return holds

    def result(self) -> ChainResult:
        """What was found so far."""
        return ChainResult(
            self._links,
            self._untried,
            frozenset(self._broken),
            tuple(self._findings[:MAX_FINDINGS]),
            self._keyed,
            self._without_key,
            self._keyed_broken,
            self._key is not None,
            tuple((s.first_seq, s.proven_to - 1) for s in self._stretches if s.proven_to > s.first_seq),
            self._seal,
            self._says_keyed,
        )
