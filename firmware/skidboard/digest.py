"""The digest that chains the segments of a log: each header holds that of the segment before it."""

from hashlib import sha256

from skidboard import records

_NO_DIGEST = bytes(records.DIGEST_BYTES)


class Digest:
    """SHA-256 of a segment as it grows, padded with 0xFF to 4096 bytes; with a key HMAC (RFC 2104)."""

    def __init__(self, key=None):
        self.kind = records.CHAIN_SHA256 if key is None else records.CHAIN_HMAC
        self._key = None
        if key is not None:
            self._key = ((sha256(key).digest() if len(key) > 64 else key) + bytes(64))[:64]
        self._hash = None

    def _pad_key(self, mask):
        return bytes([byte ^ mask for byte in self._key])

    def forget(self):
        """No segment: `finish` gives zeros."""
        self._hash = None

    def begin(self, header, n):
        """Start over with the first `n` bytes of `header`."""
        self._hash = sha256()
        if self._key is not None:
            self._hash.update(self._pad_key(0x36))
        self.add(header, n)

    def add(self, part, n):
        """Take in the first `n` bytes of `part`."""
        self._hash.update(memoryview(part)[:n])

    def finish(self, size):
        """The digest of the `size` bytes taken in so far, padded. Afterwards only `begin` will do."""
        if self._hash is None:
            return _NO_DIGEST
        part = bytes([records.ERASED]) * 64
        missing = records.SEGMENT_BYTES - size
        while missing > 0:
            self.add(part, min(missing, 64))
            missing -= 64
        digest = self._hash.digest()
        self._hash = None
        if self._key is not None:
            outer = sha256(self._pad_key(0x5C))
            outer.update(digest)
            digest = outer.digest()
        return digest
