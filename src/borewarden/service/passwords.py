"""Passwords, as argon2id keeps them (RFC 9106), and tokens that nobody can guess."""

from __future__ import annotations

import hashlib
import secrets
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError

LEAST, MOST = 12, 200  # characters
LEAST_DIFFERENT = 5

_hasher = PasswordHasher()  # RFC 9106's second choice: 64 MiB, three passes


def weakness(name: str, password: str) -> str:
    """What is wrong with a new password; "" if nothing is."""
    if not LEAST <= len(password) <= MOST:
        return f"a password has {LEAST} to {MOST} characters"
    if name.lower() in password.lower() or len(set(password)) < LEAST_DIFFERENT:
        return "that password is guessed too easily"
    return ""


def hashed(password: str) -> str:
    """What the store keeps of a password."""
    return _hasher.hash(password)


def is_right(kept: str | None, password: str) -> bool:
    """Whether `password` is the one of which `kept` is kept.

    It takes as long if there is none, or names could be told by the time.
    """
    try:
        return _hasher.verify(kept or _of_nobody(), password) and kept is not None
    except (Argon2Error, InvalidHashError):
        return False


@cache
def _of_nobody() -> str:
    return hashed(secrets.token_urlsafe())


def new_token() -> str:
    """A token for a session, of 256 random bits."""
    return secrets.token_urlsafe(32)


def digest(token: str) -> str:
    """What the store keeps of a token. It is random, so nothing slower is needed."""
    return hashlib.sha256(token.encode()).hexdigest()
