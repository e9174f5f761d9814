"""The passphrase of the page: hashed with scrypt into a file of its own, and checked against it. No sessions here.

The file holds one line, `scrypt$n=…,r=…,p=…$salt$hash`, and never the passphrase.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import os
import re
import secrets
from dataclasses import dataclass, field
from pathlib import Path

from vatwatch.errors import ConfigError, VatwatchError

N, R, P = 2**14, 8, 5
"""Cost of one try: 16 MiB, a few tenths of a second on a small board. One of the equal-strength settings of the OWASP
Password Storage Cheat Sheet (from memory); scrypt itself is RFC 7914."""
SHORTEST = 8
LONGEST = 200
_MEMORY_MOST = 64 * 1024 * 1024
_LINE = re.compile(r"scrypt\$n=(\d{1,7}),r=(\d{1,2}),p=(\d{1,2})\$([A-Za-z0-9+/=]{16,88})\$([A-Za-z0-9+/=]{40,88})")


@dataclass(frozen=True, slots=True)
class PassphraseHash:
    """What is known of the passphrase. `key` signs sessions: a new passphrase ends all of them."""

    n: int
    r: int
    p: int
    salt: bytes = field(repr=False)
    digest: bytes = field(repr=False)

    @property
    def key(self) -> bytes:
        return hmac.digest(self.digest, b"vatwatch session key" + self.salt, "sha256")

    def matches(self, passphrase: str) -> bool:
        """Whether this is the passphrase. Takes as long for a wrong one."""
        tried = _digest(passphrase[:LONGEST], self.salt, self.n, self.r, self.p)
        return hmac.compare_digest(tried, self.digest)


def hash_passphrase(passphrase: str, *, n: int = N) -> PassphraseHash:
    """A new hash with a salt of its own. Raises VatwatchError when the passphrase is too short or too long."""
    if not SHORTEST <= len(passphrase) <= LONGEST:
        raise VatwatchError(
            f"The passphrase has {len(passphrase)} characters; expected {SHORTEST} to {LONGEST}. Three or four words "
            "that do not belong together are long enough and easy to type."
        )
    salt = secrets.token_bytes(16)
    return PassphraseHash(n, R, P, salt, _digest(passphrase, salt, n, R, P))


def write_passphrase(path: Path, hashed: PassphraseHash) -> None:
    """Put the hash into `path`, readable by its owner only, in place of what was there. Raises VatwatchError."""
    line = f"scrypt$n={hashed.n},r={hashed.r},p={hashed.p}${_text(hashed.salt)}${_text(hashed.digest)}\n"
    beside = path.with_name(f".{path.name}.{secrets.token_hex(4)}.new")
    try:
        with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii") as file:
            file.write(line)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise VatwatchError(f"{path} cannot be written ({error.strerror}); name another place with --to") from error


def read_passphrase(path: Path) -> PassphraseHash:
    """The hash in `path`. Raises ConfigError without showing what is in it."""
    advice = "expected the file that `vatwatch passphrase` writes"
    try:
        text = path.read_text(encoding="ascii")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"[page] passphrase_file: {path} cannot be read; {advice}") from error
    try:
        return _parsed(text.strip())
    except (ValueError, binascii.Error) as error:
        raise ConfigError(f"[page] passphrase_file: {path} does not hold a hash of a passphrase; {advice}") from error


def _parsed(line: str) -> PassphraseHash:
    match = _LINE.fullmatch(line)
    if match is None:
        raise ValueError("another form")
    n, r, p = (int(number) for number in match.groups()[:3])
    if n < 2 or n & (n - 1) or 128 * n * r > _MEMORY_MOST // 2 or not (r and p):
        raise ValueError("a cost that is not ours")
    salt, digest = (base64.b64decode(part, validate=True) for part in match.groups()[3:])
    return PassphraseHash(n, r, p, salt, digest)


def _digest(passphrase: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    return hashlib.scrypt(passphrase.encode("utf-8"), salt=salt, n=n, r=r, p=p, maxmem=_MEMORY_MOST, dklen=32)


def _text(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")
