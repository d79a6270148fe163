"""A photo as it is kept: made anew from its pixels alone, small, with nothing of where it was taken.

A phone writes place, time and its own number into a picture, and software leaves comments, thumbnails and
whole videos behind it. So a picture is decoded and encoded again, and what comes out is looked through:
a file with anything but pixels in it is never kept. Not here: where photos are kept (`store.photos`).
Pillow is an extra (`photos`), asked for when it is needed; this is the only room that names it. May
import: errors.
"""

import io
import stat
import struct
import warnings
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lugwatch.errors import OperationFailed, UserError

FORMATS = ("JPEG", "PNG", "WEBP")
MOST_FILE_BYTES = 30_000_000
# A JPEG is decoded at an eighth to a half of its size; the others whole, three or four bytes a pixel, on a
# computer with half a gigabyte.
MOST_PIXELS = {"JPEG": 120_000_000, "PNG": 24_000_000, "WEBP": 24_000_000}
# Enough to count the strands at a crimp. Tried in this order until it is small enough.
LONGEST_SIDES_PIXELS, QUALITIES = (1600, 1200, 800), (82, 70, 55)
MOST_KEPT_BYTES = 600_000

# what decoders raise for files that are not what they say
_BROKEN = (
    *(OSError, SyntaxError, ValueError, EOFError, IndexError, KeyError, TypeError, OverflowError),
    *(struct.error, zlib.error, ZeroDivisionError, MemoryError),
)
_ORIENTATION_TAG = 0x0112  # EXIF 2.32, table 4
# frames of a JPEG: SOF0 to SOF2, tables, restart interval; ITU-T T.81 table B.1
_PIXEL_SEGMENTS = frozenset({0xC0, 0xC1, 0xC2, 0xC4, 0xDB, 0xDD})
_JFIF = b"JFIF\x00"
_JFIF_BYTES = 16  # without a thumbnail: ITU-T T.871, 10.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A JPEG of pixels alone."""

    jpeg: bytes
    width_pixels: int
    height_pixels: int


def read_picture(path: Path) -> Picture:
    """The picture in a file as it is kept. Raises UserError, or OperationFailed without Pillow."""
    try:
        from PIL import Image
    except ModuleNotFoundError:
        raise OperationFailed("photos need the library Pillow: pip install 'lugwatch[photos]'") from None
    data = _read(path)
    with warnings.catch_warnings():
        # its own warnings of size and of odd tags: sizes are looked at here, tags are thrown away
        warnings.simplefilter("ignore")
        try:
            opened = Image.open(io.BytesIO(data), formats=FORMATS)
        except Image.DecompressionBombError:
            raise _too_large(path) from None
        except _BROKEN:
            raise UserError(
                f"{path}: is no JPEG, PNG or WebP picture; a phone's HEIC has to be saved as JPEG first"
            ) from None
        kind = "JPEG" if opened.format == "MPO" else str(opened.format)
        if opened.width * opened.height > MOST_PIXELS.get(kind, 0):
            raise _too_large(path)
        try:
            picture = _kept(Image, opened)
        except _BROKEN:
            raise UserError(f"{path}: is a damaged or unfinished picture; copy it anew") from None
    if picture is None:
        raise UserError(f"{path}: cannot be made small enough to keep; crop it to the joint")
    if not is_pixels_alone(picture.jpeg):
        raise OperationFailed(f"{path}: was not kept, since something but pixels would have stayed in it")
    return picture


def _read(path: Path) -> bytes:
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            raise UserError(f"{path}: is no file; give a JPEG, PNG or WebP picture")
        if found.st_size > MOST_FILE_BYTES:
            size, most = found.st_size / 1e6, MOST_FILE_BYTES / 1e6
            raise UserError(f"{path}: has {size:.0f} MB; a photo has at most {most:.0f} MB")
        with path.open("rb") as file:
            return file.read(MOST_FILE_BYTES)
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror or error})") from None


def _too_large(path: Path) -> UserError:
    most = ", ".join(f"{kind} {pixels // 1_000_000}" for kind, pixels in MOST_PIXELS.items())
    return UserError(f"{path}: has too many pixels (at most, in millions: {most}); make it smaller first")


def _kept(pillow: Any, opened: Any) -> Picture | None:
    """The picture upright, on white, in RGB, as small as it has to be; None where it cannot be."""
    turn = _turn(pillow, opened)
    opened.draft("RGB", (LONGEST_SIDES_PIXELS[0], LONGEST_SIDES_PIXELS[0]))
    opened.load()
    if opened.mode in ("RGBA", "LA", "PA", "P") or "transparency" in opened.info:
        clear = opened.convert("RGBA")
        upright = pillow.new("RGB", clear.size, "white")
        upright.paste(clear, mask=clear.getchannel("A"))
    else:
        upright = opened.convert("RGB")
    if turn is not None:
        upright = upright.transpose(turn)
    for side in LONGEST_SIDES_PIXELS:
        upright.thumbnail((side, side))
        # of its pixels alone: profiles, comments and tags travel with an image
        bare = pillow.frombytes("RGB", upright.size, upright.tobytes())
        for quality in QUALITIES:
            out = io.BytesIO()
            bare.save(out, "JPEG", quality=quality, optimize=True)
            if out.tell() <= MOST_KEPT_BYTES:
                return Picture(jpeg=out.getvalue(), width_pixels=bare.width, height_pixels=bare.height)
    return None


def _turn(pillow: Any, opened: Any) -> Any:
    """How it has to be turned to stand upright, as EXIF says; None: not at all, or not readable."""
    ways = pillow.Transpose
    turns = {
        2: ways.FLIP_LEFT_RIGHT,
        3: ways.ROTATE_180,
        4: ways.FLIP_TOP_BOTTOM,
        5: ways.TRANSPOSE,
        6: ways.ROTATE_270,
        7: ways.TRANSVERSE,
        8: ways.ROTATE_90,
    }
    try:
        return turns.get(opened.getexif().get(_ORIENTATION_TAG))
    except _BROKEN:
        return None


def is_pixels_alone(jpeg: bytes) -> bool:
    """Whether a JPEG holds one picture and nothing else: no EXIF, no comment, no thumbnail, nothing after it.

    Segments as in ITU-T T.81, annex B.
    """
    if jpeg[:2] != b"\xff\xd8" or not jpeg.endswith(b"\xff\xd9"):
        return False
    at = 2
    while at + 4 <= len(jpeg) and jpeg[at] == 0xFF:
        marker, length = jpeg[at + 1], int.from_bytes(jpeg[at + 2 : at + 4], "big")
        if marker == 0xE0:
            if length != _JFIF_BYTES or jpeg[at + 4 : at + 9] != _JFIF or jpeg[at + 16 : at + 18] != b"\0\0":
                return False
        elif marker == 0xDA:
            at = _end_of_scan(jpeg, at + 2 + length)
            if at == len(jpeg) - 2:
                return True
            continue
        elif marker not in _PIXEL_SEGMENTS:
            return False
        at += 2 + length
    return False


def _end_of_scan(jpeg: bytes, at: int) -> int:
    """Where the next marker stands: in a scan FF stands only before 00 and restarts (T.81, B.1.1.5)."""
    while True:
        at = jpeg.find(b"\xff", at)
        if at < 0 or at + 1 >= len(jpeg):
            return len(jpeg)
        if jpeg[at + 1] != 0 and not 0xD0 <= jpeg[at + 1] <= 0xD7:
            return at
        at += 2
