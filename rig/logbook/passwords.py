"""Passwords in a logbook's address: they open it, and are never shown.

Better is an address without one: the driver itself looks into the password file ~/.pgpass (or PGPASSFILE) and the
variable PGPASSWORD (PostgreSQL documentation, 34.15 and 34.16).
"""

from __future__ import annotations

import re

_IN_USER = re.compile(r"(://[^/\s:@?#]*):\S*@")
_SECRET = r"(?:ssl)?pass(?:word|wd)?|pwd"
_IN_QUERY = re.compile(rf"(?i)([?&])(?:(?:{_SECRET})=[^&\s'\"]*(?:&|(?=['\"\s])|$))+")
_LEFT_OVER = re.compile(r"[?&](?=['\"\s]|$)")


def without_password(text: str) -> str:
    """A text, or the address in it, with every password left out; the address still names the same logbook."""
    if "://" not in text:
        return text
    shorter = _IN_QUERY.sub(r"\1", _IN_USER.sub(r"\1@", text))
    return _LEFT_OVER.sub("", shorter) if shorter != text else text


def has_password(address: str) -> bool:
    """Whether an address holds one."""
    return without_password(address) != address
