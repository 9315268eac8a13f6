"""A dealer's logo, told by its bytes: a still PNG, JPEG or WebP that is whole; the name and type that came with it count for nothing.

SVG is refused: it is a document that may hold scripts. PNG: ISO/IEC 15948; JPEG: ITU-T T.81, annex B; WebP: RFC 9649.
"""

import struct
import zlib
from dataclasses import dataclass

from service.core.errors import InvalidInputError
from service.core.language import _

LARGEST = 20 * 1024
"""Bytes."""
WIDEST = 2000
"""Pixels a side; more is of no use at the height at which a logo is shown."""
PNG, JPEG, WEBP = "image/png", "image/jpeg", "image/webp"
_PNG_START = b"\x89PNG\r\n\x1a\n"
_FRAMES = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
"""JPEG's markers of a frame's head: SOF0 to SOF15 without DHT, JPG and DAC (ITU-T T.81, table B.1)."""


class _BrokenImageError(Exception):
    """The file begins as one of the kinds, but is not whole."""


@dataclass(frozen=True, slots=True)
class _Picture:
    """What was found: pixels, and whether it moves."""

    width: int
    height: int
    moves: bool = False


def check(content: bytes) -> str:
    """Return the media type of a logo; raises `InvalidInputError` at ``logo`` with what would be right."""
    if len(content) > LARGEST:
        raise _refusal(
            _("This file has {size} kB; expected at most {most} kB.").format(
                size=-(-len(content) // 1024), most=LARGEST // 1024
            )
        )
    kind = _kind(content)
    try:
        found = _READERS[kind](content)
    except (_BrokenImageError, struct.error, zlib.error):
        raise _refusal(_("This picture is damaged or cut short; save it anew and choose it again.")) from None
    if found.moves:
        raise _refusal(_("This picture moves; expected a still one."))
    if not (0 < found.width <= WIDEST and 0 < found.height <= WIDEST):
        raise _refusal(
            _("This picture has {width} by {height} pixels; expected at most {most} a side.").format(
                width=found.width, height=found.height, most=WIDEST
            )
        )
    return kind


def _kind(content: bytes) -> str:
    if content.startswith(_PNG_START):
        return PNG
    if content.startswith(b"\xff\xd8\xff"):
        return JPEG
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return WEBP
    if b"<svg" in content[:1000].lower():
        raise _refusal(_("SVG may hold scripts and is not taken; expected a PNG, JPEG or WebP."))
    raise _refusal(_("This is no picture we can show; expected a PNG, JPEG or WebP."))


def _refusal(sentence: str) -> InvalidInputError:
    return InvalidInputError([("logo", sentence)])


def _png(content: bytes) -> _Picture:
    """Walk the chunks: each with its check sum, the head first, data in between, the end last and nothing after it."""
    place, data = len(_PNG_START), bytearray()
    kinds: list[bytes] = []
    width = height = 0
    while not kinds or kinds[-1] != b"IEND":
        length, kind = struct.unpack_from(">I4s", content, place)
        body = content[place + 8 : place + 8 + length]
        (told,) = struct.unpack_from(">I", content, place + 8 + length)
        if zlib.crc32(kind + body) != told:
            raise _BrokenImageError
        if kind == b"IHDR":
            width, height = struct.unpack(">II5x", body)
        data += body if kind == b"IDAT" else b""
        kinds.append(kind)
        place += 12 + length
    if kinds[0] != b"IHDR" or place != len(content):
        raise _BrokenImageError
    _inflates(bytes(data))
    return _Picture(width, height, b"acTL" in kinds)


def _inflates(data: bytes) -> None:
    """Raise where compressed data is not whole; what comes out is thrown away bit by bit, however much it is."""
    stream = zlib.decompressobj()
    while data and not stream.eof:
        stream.decompress(data, 1 << 16)
        data = stream.unconsumed_tail
    if not stream.eof:
        raise _BrokenImageError


def _jpeg(content: bytes) -> _Picture:
    """Walk the segments up to the first scan; behind it the file must end with the end marker."""
    place, found = 2, None
    while True:
        mark, marker, length = struct.unpack_from(">BBH", content, place)
        if mark != 0xFF or length < 2:
            raise _BrokenImageError
        if marker in _FRAMES:
            height, width = struct.unpack_from(">xHH", content, place + 4)
            found = _Picture(width, height)
        place += 2 + length
        if marker == 0xDA:
            break
    if found is None or place >= len(content) or not content.endswith(b"\xff\xd9"):
        raise _BrokenImageError
    return found


def _webp(content: bytes) -> _Picture:
    """Walk the chunks of the container, whose length must be the file's."""
    (length,) = struct.unpack_from("<I", content, 4)
    if length + 8 != len(content):
        raise _BrokenImageError
    place, found, moves, has_data = 12, None, False, False
    while place < len(content):
        kind, size = struct.unpack_from("<4sI", content, place)
        body = content[place + 8 : place + 8 + size]
        if len(body) != size:
            raise _BrokenImageError
        found = found or _webp_size(kind, body)
        moves, has_data = moves or kind in (b"ANIM", b"ANMF"), has_data or kind in (b"VP8 ", b"VP8L")
        place += 8 + size + size % 2
    if found is None or not (has_data or moves):
        raise _BrokenImageError
    return _Picture(found.width, found.height, moves)


def _webp_size(kind: bytes, body: bytes) -> _Picture | None:
    if kind == b"VP8X":
        sizes = body[4:10]
        return _Picture(int.from_bytes(sizes[:3], "little") + 1, int.from_bytes(sizes[3:], "little") + 1)
    if kind == b"VP8L":
        if body[:1] != b"\x2f":
            raise _BrokenImageError
        bits = int.from_bytes(body[1:5], "little")
        return _Picture((bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1)
    if kind == b"VP8 ":
        if body[3:6] != b"\x9d\x01\x2a":
            raise _BrokenImageError
        width, height = struct.unpack_from("<HH", body, 6)
        return _Picture(width & 0x3FFF, height & 0x3FFF)
    return None


_READERS = {PNG: _png, JPEG: _jpeg, WEBP: _webp}
