"""Photos of journal entries: nothing of where they were taken is kept; what is no picture is refused."""

import io
import json
import os
import random
import re
import sqlite3
import struct
import sys
import zlib
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from histories import estimate, open_store, put
from lugwatch import photo_file
from lugwatch.cli.main import commands
from lugwatch.clock import ManualClock
from lugwatch.dashboard import record_view
from lugwatch.dashboard.app import create_app
from lugwatch.dashboard.guard import HEADERS
from lugwatch.errors import OperationFailed, UserError
from lugwatch.photo_file import is_pixels_alone, read_picture
from lugwatch.store.damage import carry_over
from lugwatch.store.queries import History
from pages import InProcess, built_page

MAKER, WHERE = "Telltale Optics", "Fowey, behind the second mooring"


def picture(width: int = 640, height: int = 480) -> Image.Image:
    """Red above, blue below, so that one sees how it stands."""
    made = Image.new("RGB", (width, height), "red")
    made.paste("blue", (0, height // 2, width, height))
    return made


def phone_jpeg(orientation: int = 1, size: tuple[int, int] = (640, 480)) -> bytes:
    """What a phone writes: EXIF with GPS (EXIF 2.32, 4.6.6), XMP, a comment, a profile, a film behind it."""
    exif = Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x010E] = orientation, MAKER, WHERE
    exif[0x8825] = {1: "N", 2: (50.0, 20.0, 7.25), 3: "W", 4: (4.0, 38.0, 1.5), 29: "2026:05:28"}
    out = io.BytesIO()
    picture(*size).save(
        out, "JPEG", exif=exif, comment=WHERE.encode(), icc_profile=b"profile of " + MAKER.encode(),
        xmp=f"<x:xmpmeta>{WHERE}</x:xmpmeta>".encode(),
    )  # fmt: skip
    return out.getvalue() + b"ftypmp42" + WHERE.encode()


def written(folder: Path, data: bytes, name: str = "photo.jpg") -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def upright(jpeg: bytes) -> tuple[bool, tuple[int, int]]:
    """Whether red is above, and its size."""
    image = Image.open(io.BytesIO(jpeg)).convert("RGB")
    red, _, blue = image.getpixel((image.width // 2, image.height // 10))  # type: ignore[misc]
    return red > 200 and blue < 60, image.size


# ---- the file -------------------------------------------------------------------------------


def test_nothing_of_place_time_and_camera_is_left(tmp_path: Path) -> None:
    data = phone_jpeg()
    before = Image.open(io.BytesIO(data))
    assert before.getexif().get_ifd(0x8825)[2] == (50.0, 20.0, 7.25) and data.count(WHERE.encode()) >= 3
    kept = read_picture(written(tmp_path, data)).jpeg
    after = Image.open(io.BytesIO(kept))
    assert not after.getexif() and not after.getexif().get_ifd(0x8825)
    assert set(after.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
    for told in (b"Exif", b"GPS", b"xmp", b"ICC", b"ftyp", WHERE.encode(), MAKER.encode(), b"Photoshop"):
        assert told not in kept, told
    assert is_pixels_alone(kept) and not is_pixels_alone(data)


def test_text_in_a_png_and_a_webp_goes_too(tmp_path: Path) -> None:
    notes, out, other = PngInfo(), io.BytesIO(), io.BytesIO()
    notes.add_text("Location", WHERE)
    exif = Image.Exif()
    exif[0x010E] = WHERE
    picture().save(out, "PNG", pnginfo=notes, exif=exif)
    picture().save(other, "WEBP", exif=exif)
    for data, name in ((out.getvalue(), "a.png"), (other.getvalue(), "a.webp")):
        assert WHERE.encode() in data
        kept = read_picture(written(tmp_path, data, name)).jpeg
        assert WHERE.encode() not in kept and is_pixels_alone(kept) and upright(kept)[0]


@pytest.mark.parametrize("orientation", range(1, 9))
def test_it_stands_as_the_phone_was_held(tmp_path: Path, orientation: int) -> None:
    """Turned by what EXIF said, which is gone afterwards; a viewer as oracle: Pillow's own transpose."""
    from PIL import ImageOps

    data = phone_jpeg(orientation, (300, 200))
    shown = io.BytesIO()
    ImageOps.exif_transpose(Image.open(io.BytesIO(data))).save(shown, "PNG")
    kept = read_picture(written(tmp_path, data))
    assert upright(kept.jpeg) == upright(shown.getvalue())
    assert (kept.width_pixels, kept.height_pixels) == upright(shown.getvalue())[1]


def test_a_large_one_is_made_small_and_noise_too(tmp_path: Path) -> None:
    kept = read_picture(written(tmp_path, phone_jpeg(6, (4000, 3000))))
    assert (kept.width_pixels, kept.height_pixels) == (1200, 1600) and len(kept.jpeg) < 600_000
    noise = Image.frombytes("RGB", (2000, 1500), random.Random(4).randbytes(2000 * 1500 * 3))
    out = io.BytesIO()
    noise.save(out, "JPEG", quality=95)
    assert out.tell() > 3_000_000
    assert len(read_picture(written(tmp_path, out.getvalue())).jpeg) <= photo_file.MOST_KEPT_BYTES


def test_what_was_clear_is_white(tmp_path: Path) -> None:
    out = io.BytesIO()
    Image.new("RGBA", (64, 64), (255, 0, 0, 0)).save(out, "PNG")
    kept = read_picture(written(tmp_path, out.getvalue(), "a.png")).jpeg
    assert min(Image.open(io.BytesIO(kept)).getpixel((32, 32))) > 250  # type: ignore[arg-type, type-var]


def bomb(width: int, height: int) -> bytes:
    """A PNG of a few bytes that claims so many pixels (PNG 1.2, 11.2.2)."""
    parts = [(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)),
             (b"IDAT", zlib.compress(bytes(10_000))), (b"IEND", b"")]  # fmt: skip
    chunks = [struct.pack(">I", len(d)) + k + d + struct.pack(">I", zlib.crc32(k + d)) for k, d in parts]
    return b"\x89PNG\r\n\x1a\n" + b"".join(chunks)


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "is no JPEG, PNG or WebP picture"),
        (b"not a picture at all", "saved as JPEG first"),
        (b"GIF89a" + bytes(100), "is no JPEG"),
        (b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n", "is no JPEG"),
        (bomb(60_000, 60_000), "has too many pixels"),
        (bomb(9_000, 9_000), "has too many pixels"),
        (bomb(500, 500), "damaged or unfinished"),
        (phone_jpeg()[:4000], "damaged or unfinished"),
    ],
)
def test_what_is_no_picture_is_refused_in_one_line(tmp_path: Path, data: bytes, said: str) -> None:
    with pytest.raises(UserError) as refused:
        read_picture(written(tmp_path, data))
    assert said in str(refused.value) and "\n" not in str(refused.value)
    assert str(refused.value).startswith(str(tmp_path))


def test_what_is_no_file_or_too_large_is_refused_unread(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with (tmp_path / "huge.jpg").open("wb") as huge:
        huge.truncate(photo_file.MOST_FILE_BYTES + 1)
    for name, said in (
        *(("pipe", "is no file"), (".", "is no file")),
        *(("huge.jpg", "30 MB; a photo has at most 30"), ("none.jpg", "cannot be read (No such file")),
    ):
        with pytest.raises(UserError, match=re.escape(said)):
            read_picture(tmp_path / name)


def test_without_pillow_it_says_how_to_get_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "PIL", None)
    with pytest.raises(OperationFailed, match=re.escape("pip install 'lugwatch[photos]'")):
        read_picture(tmp_path / "a.jpg")


@given(at=st.floats(0.0, 1.0), cut=st.floats(0.0, 1.0), junk=st.binary(max_size=40))
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_damage_gets_a_word_through(tmp_path: Path, at: float, cut: float, junk: bytes) -> None:
    """A file with anything put in its place: a clear line, or pixels and nothing else."""
    data = phone_jpeg()
    place = round(at * len(data))
    path = written(tmp_path, (data[:place] + junk + data[place + len(junk) :])[: round(cut * len(data)) or 1])
    try:
        kept = read_picture(path).jpeg
    except UserError as refused:
        assert "\n" not in str(refused)
    else:
        assert is_pixels_alone(kept) and WHERE.encode() not in kept


# ---- in the journal -------------------------------------------------------------------------


@pytest.fixture
def boat(tmp_path: Path) -> Path:
    path = tmp_path / "a.db"
    with open_store(path) as store:
        put(store, [estimate()])
    return path


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(commands, [str(w) for w in words])


def test_an_entry_with_photos_and_one_that_gets_one_later(boat: Path, tmp_path: Path) -> None:
    photo = written(tmp_path, phone_jpeg())
    told = run("journal", "add", "bar", "--work", "cleaned", "--photo", photo, "--photo", photo, "--db", boat)
    assert told.exit_code == 0 and told.output.strip().endswith("(crew), 2 photos"), told.output
    assert (
        run("journal", "photo", "1", photo, "--db", boat).output == "Entry 1 of the journal: 1 photo added\n"
    )
    assert "    3 photos\n" in run("journal", "list", "--db", boat).output
    (entry,) = json.loads(run("journal", "list", "--db", boat, "--json").output)
    assert [p["photo_id"] for p in entry["photos"]] == [1, 2, 3]
    assert entry["photos"][0]["width_pixels"] == 640 and entry["photos"][0]["jpeg_bytes"] > 1000
    assert "no entry 7" in str(run("journal", "photo", "7", photo, "--db", boat).exception)
    for many in ([photo] * 6, [photo] * 9):
        refused = run("journal", "photo", "1", *many, "--db", boat)
        assert "at most 8 photos, and this one has 3" in str(refused.exception)
    with closing(sqlite3.connect(boat)) as connection:
        everything = b"".join(row[0] for row in connection.execute("SELECT jpeg FROM photo"))
        assert connection.execute("SELECT count(*) FROM photo").fetchone() == (3,)
    assert b"Exif" not in everything and WHERE.encode() not in boat.read_bytes()


def test_a_bad_photo_leaves_no_entry(boat: Path, tmp_path: Path) -> None:
    photo, bad = written(tmp_path, phone_jpeg()), written(tmp_path, b"x", "b.jpg")
    words = ("journal", "add", "bar", "--note", "n", "--photo", photo)
    assert "is no JPEG" in str(run(*words, "--photo", bad, "--db", boat).exception)
    assert "at most 8" in str(run(*words, *(["--photo", photo] * 8), "--db", boat).exception)
    with History.open(boat) as history:
        assert history.journal() == [] and history.photos() == {}


def test_backup_restore_and_a_damaged_card_keep_them(boat: Path, tmp_path: Path) -> None:
    photo = written(tmp_path, phone_jpeg())
    assert run("journal", "add", "bar", "--note", "n", "--photo", photo, "--db", boat).exit_code == 0
    with History.open(boat) as history:
        kept = history.photo_jpeg(1)
    assert kept is not None
    assert run("backup", "--db", boat, "--out", tmp_path / "b.db").exit_code == 0
    with closing(sqlite3.connect(boat)) as connection, connection:
        connection.execute("DELETE FROM photo")
    assert run("restore", tmp_path / "b.db", "--db", boat).exit_code == 0
    carry_over(boat, tmp_path / "new.db")
    for path in (boat, tmp_path / "new.db"):
        with History.open(path) as history:
            assert history.photo_jpeg(1) == kept and history.photo_jpeg(2) is None


def test_the_page_and_its_sheets_show_them(
    boat: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    built_page()
    photo = written(tmp_path, phone_jpeg())
    client = InProcess(create_app(boat, ManualClock()))
    bare = client.get("/joints/bar/sheet").headers["content-security-policy"]
    assert "img-src" not in bare
    note = "<img src=x onerror=alert(1)>"
    assert (
        run(
            "journal", "add", "bar", "--note", note, "--photo", photo, "--photo", photo, "--db", boat
        ).exit_code
        == 0
    )
    answer = client.get("/photos/1")
    with History.open(boat) as history:
        assert answer.content == history.photo_jpeg(1)
    assert (
        answer.headers["content-type"] == "image/jpeg"
        and answer.headers["x-content-type-options"] == "nosniff"
    )
    assert answer.headers["content-security-policy"] == HEADERS["Content-Security-Policy"]
    for number in ("3", "0", "-1", "9" * 40, "x"):
        assert client.get(f"/photos/{number}").status_code in (404, 422)
    for address in ("/joints/bar", "/journal"):
        page = client.get(address).text
        assert re.findall(r'<img src="/photos/(\d)" width="640" height="480"', page) == ["1", "2"]
        assert 'alt="Photo 1 of 2 of entry 1"' in page and "<img src=x" not in page
    assert client.get("/api/journal").json()[0]["photos"][1]["photo_id"] == 2
    sheet = client.get("/joints/bar/sheet")
    assert sheet.headers["content-security-policy"] == bare.replace("base-uri", "img-src data:; base-uri")
    assert (
        len(
            re.findall(
                r'<img class="photo" src="data:image/jpeg;base64,[A-Za-z0-9+/=]+" width="640"', sheet.text
            )
        )
        == 2
    )
    assert "<img src=x" not in sheet.text
    monkeypatch.setattr(record_view, "PHOTOS_ON_SHEET", 1)
    assert run("sheet", "joint", "bar", "--db", boat, "-o", "-").output.count("data:image/jpeg;base64,") == 1
    assert "Photo 2 is left out here" in client.get("/joints/bar/sheet").text
    assert InProcess(create_app(tmp_path / "none.db", ManualClock())).get("/photos/1").status_code == 404
