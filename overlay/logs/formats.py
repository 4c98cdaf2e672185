"""What a log format is: how it is known by its content, and what reads it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

from overlay.logs.clean import Raw

HEAD_BYTES = 1 << 16


@dataclass(frozen=True)
class Head:
    """The beginning of a file."""

    data: bytes  # The first `HEAD_BYTES`, or more

    @cached_property
    def text(self) -> str:
        """The beginning as text."""
        return decoded(self.data[:HEAD_BYTES])

    @cached_property
    def is_markup(self) -> bool:
        """Whether it begins as XML or HTML does."""
        return self.text.lstrip("\ufeff \t\r\n").startswith("<")

    @cached_property
    def is_binary(self) -> bool:
        """Whether more than one character in fifty is none of a text."""
        odd = sum(c == "\ufffd" or (c < " " and c not in "\t\r\n\f") for c in self.text)
        return odd > 0.02 * max(1, len(self.text))


@dataclass(frozen=True)
class Reading:
    """What a reader is given beside the file; see :func:`overlay.logs.read_log`."""

    columns: Mapping[str, str] | None = None
    utc_offset_h: float = 0.0


@dataclass(frozen=True)
class LogFormat:
    """One log format."""

    knows: Callable[[Head], bool]  # Whether a file is of this format, by its beginning
    # From the file's bytes, its name for messages, and a `Reading` to a `Raw` in SI units with
    # every dropped record counted
    read: Callable[[bytes, str, Reading], Raw]
    takes_columns: bool = False  # Whether it has columns to map


def decoded(data: bytes) -> str:
    """Text of a log in UTF-8, UTF-16 (with or without mark) or, failing those, Latin-1.

    Examples
    --------
    >>> decoded("t_s;Speed".encode("utf-16"))
    't_s;Speed'
    """
    if data.startswith(b"\xef\xbb\xbf"):
        return data[3:].decode("utf-8", errors="replace")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace")
    sample = data[:2000]
    for zeros, encoding in ((sample[1::2], "utf-16-le"), (sample[::2], "utf-16-be")):
        if len(zeros) > 4 and zeros.count(0) > 0.7 * len(zeros):
            return data.decode(encoding, errors="replace")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError:
        # A few bad bytes in UTF-8 are damage; many bytes above 127 alone are an older encoding.
        return data.decode("latin-1")
