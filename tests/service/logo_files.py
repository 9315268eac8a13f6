"""Small pictures as encoders of others write them: 24 by 8 pixels, drawn on a canvas in Chromium, colour profiles taken out."""

import base64
import struct
import zlib

PNG = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAABgAAAAICAYAAADjoT9jAAAAPklEQVR4AbyPQQ0AMAgDt/mYJgSgDwFoQgj8+UBIaJP+2rT3zrJwA5/JK09gcQSTd50OjsBE"
    "b+XO45xZJwgAAAD//7dbLpIAAAAGSURBVAMA3+kkEfU+6NoAAAAASUVORK5CYII="
)
JPEG = base64.b64decode(
    "/9j/4AAQSkZJRgABAQAAAQABAAD/2wBDABsSFBcUERsXFhceHBsgKEIrKCUlKFE6PTBCYFVlZF9VXVtqeJmBanGQc1tdhbWGkJ6jq62rZ4C8ybqmx5moq6T/"
    "2wBDARweHigjKE4rK06kbl1upKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKSkpKT/wAARCAAIABgDASIAAhEBAxEB/8QA"
    "FgABAQEAAAAAAAAAAAAAAAAAAAMF/8QAHhAAAgEDBQAAAAAAAAAAAAAAABMBAxEyEhQxQWH/xAAVAQEBAAAAAAAAAAAAAAAAAAAAAf/EABYRAQEBAAAAAAAA"
    "AAAAAAAAAAARIf/aAAwDAQACEQMRAD8AwaW2XDMu+SddeuFY29ACTUwAFf/Z"
)
WEBP_LOSSY = base64.b64decode(
    "UklGRjwAAABXRUJQVlA4IDAAAADQAgCdASoYAAgAPxF4slEsJ6SisAgBgCIJZQAAfKAAAP7o1hwOVqd2Uf/1URZ/AAA="
)
WEBP_LOSSLESS = base64.b64decode("UklGRiwAAABXRUJQVlA4TCAAAAAvF8ABEA8wW9MxT/Mf8CCTtsk3/353jmmI6P8sAM0zDQ==")
GIF = base64.b64decode("R0lGODlhAQABAAAAACwAAAAAAQABAAAC")


def chunk(kind: bytes, body: bytes) -> bytes:
    """Return one chunk of a PNG (ISO/IEC 15948, 5.3)."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def png(width: int = 4, height: int = 4, extra: bytes = b"") -> bytes:
    """Return a grey PNG of any size, with other chunks in it."""
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    data = zlib.compress(b"\0" * ((width + 1) * min(height, 10)))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + extra + chunk(b"IDAT", data) + chunk(b"IEND", b"")


def riff(*chunks: bytes) -> bytes:
    """Return chunks as one WebP file (RFC 9649, 2.4)."""
    body = b"WEBP" + b"".join(chunks)
    return b"RIFF" + struct.pack("<I", len(body)) + body
