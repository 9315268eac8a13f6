"""A logo is told by its bytes: whole pictures are taken, everything else is refused with what would be right."""

import struct

import pytest

from service.core.errors import InvalidInputError
from service.dealers import logos
from tests.service.logo_files import GIF, JPEG, PNG, WEBP_LOSSLESS, WEBP_LOSSY, chunk, png, riff

WHOLE = {"png": PNG, "jpeg": JPEG, "lossy": WEBP_LOSSY, "lossless": WEBP_LOSSLESS}


def refusal(content: bytes) -> str:
    with pytest.raises(InvalidInputError) as refused:
        logos.check(content)
    (problem,) = refused.value.problems
    assert problem.path == "logo"
    return problem.message


# Media types: IANA's registry of image types.
@pytest.mark.parametrize(
    ("name", "kind"),
    [("png", "image/png"), ("jpeg", "image/jpeg"), ("lossy", "image/webp"), ("lossless", "image/webp")],
)
def test_what_a_browser_encodes_is_taken_for_what_it_is(name: str, kind: str) -> None:
    assert logos.check(WHOLE[name]) == kind


@pytest.mark.parametrize("name", WHOLE)
def test_a_picture_cut_anywhere_is_refused(name: str) -> None:
    whole = WHOLE[name]
    for length in range(13, len(whole)):
        assert "damaged" in refusal(whole[:length]), length


@pytest.mark.parametrize("name", ["png", "jpeg", "lossy"])
def test_a_picture_with_something_behind_its_end_is_refused(name: str) -> None:
    assert "damaged" in refusal(WHOLE[name] + b"<script>alert(1)</script>")


def test_a_changed_byte_of_a_png_is_seen_by_its_check_sum() -> None:
    for place in range(8, len(PNG)):
        changed = bytearray(PNG)
        changed[place] ^= 1
        assert "damaged" in refusal(bytes(changed)), place


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"<svg xmlns='http://www.w3.org/2000/svg'><script/></svg>", "SVG"),
        (b"<?xml version='1.0'?>\n<!-- logo -->\n<SVG/>", "SVG"),
        (GIF, "PNG, JPEG or WebP"),
        (b"%PDF-1.7", "PNG, JPEG or WebP"),
        (b"plain text", "PNG, JPEG or WebP"),
        (b"", "PNG, JPEG or WebP"),
        (b"\x89PNG\r\n\x1a\n", "damaged"),
        (b"\xff\xd8\xff\xd9", "damaged"),
    ],
)
def test_another_kind_of_file_is_refused_by_its_bytes(content: bytes, said: str) -> None:
    assert said in refusal(content)


def test_twenty_kilobytes_are_taken_and_one_byte_more_is_not() -> None:
    filled = 20 * 1024 - len(png()) - 12
    assert logos.check(png(extra=chunk(b"tEXt", b"x" * filled))) == "image/png"
    assert "at most 20 kB" in refusal(png(extra=chunk(b"tEXt", b"x" * (filled + 1))))


def test_a_picture_that_moves_is_refused() -> None:
    # WCAG 2.2, 2.2.2: what moves must be stoppable; a logo cannot be.
    assert "moves" in refusal(png(extra=chunk(b"acTL", struct.pack(">II", 2, 0))))
    head = struct.pack("<4sI", b"VP8X", 10) + b"\2\0\0\0" + b"\x17\0\0" + b"\7\0\0"
    assert "moves" in refusal(riff(head, struct.pack("<4sI", b"ANIM", 6) + bytes(6)))


def test_a_picture_of_absurd_size_is_refused() -> None:
    assert "2000" in refusal(png(2001, 1))
    assert "2000" in refusal(png(1, 2001))
    assert "0 by" in refusal(png(0, 1))
