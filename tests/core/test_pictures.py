"""Uploads that mean harm: refused, or written anew without what they carried.

Kinds of hostile upload after the OWASP File Upload Cheat Sheet (from memory): bombs, polyglots,
active content under a picture's name, truncated and oversized files, position data.
"""

import io
import struct
import zlib

import pytest
from PIL import Image, ImageFile

from valvecare.core.errors import Refused
from valvecare.core.pictures import MAX_BYTES, MAX_SIDE, clean_picture, media_root, store

GPS = 0x8825


def jpeg(size=(64, 48), **more):
    out = io.BytesIO()
    Image.effect_noise(size, 60).convert("RGB").save(out, "JPEG", **more)
    return out.getvalue()


def with_position(make="Camera of somebody"):
    exif = Image.Exif()
    exif[0x010F] = make
    exif.get_ifd(GPS)[1] = "N"
    exif.get_ifd(GPS)[2] = (59.0, 17.0, 5.25)
    return jpeg(exif=exif, comment=b"<script>alert(1)</script>")


def png(width, height):
    """A PNG whose header claims a size and whose data is next to nothing."""

    def chunk(kind, data):
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0" * 1000))
        + chunk(b"IEND", b"")
    )


def saved(kind, mode="RGB"):
    out = io.BytesIO()
    Image.new(mode, (40, 30)).save(out, kind)
    return out.getvalue()


HTML = b"<!doctype html><script>alert(document.cookie)</script>"
HOSTILE = {
    "bomb of 2.5 gigapixels": png(50_000, 50_000),
    "bomb just above the limit": png(8_000, 5_001),
    "picture and archive in one": jpeg() + b"PK\x03\x04" + b"payload.exe" * 9,
    "picture and page in one": jpeg(comment=HTML) + HTML,
    "drawing with script": b'<svg xmlns="http://www.w3.org/2000/svg"><script>alert(1)</script></svg>',
    "page under a picture's name": HTML,
    "truncated": jpeg((800, 600))[:9_000],
    "30 MB": jpeg() + b"\0" * 30_000_000,
    "position and comment": with_position(),
    "moving picture": saved("GIF"),
    "another decoder's format": saved("TIFF"),
    "header only": b"\xff\xd8\xff\xe0",
    "empty": b"",
}


def test_none_of_thirteen_hostile_uploads_is_kept_as_it_came(figure):
    refused, anew = [], []
    for name, data in HOSTILE.items():
        try:
            picture = clean_picture(data)
        except Refused as error:
            refused.append(error.reasons[0].remedy)
            continue
        assert picture.data != data
        for trace in (b"script", b"PK\x03\x04", b"payload", b"Camera of somebody", b"Exif"):
            assert trace not in picture.data, name
        assert not Image.open(io.BytesIO(picture.data)).getexif()
        anew.append(name)
    as_they_came = len(HOSTILE) - len(refused) - len(anew)
    figure("S-29", "hostile uploads kept as they came", as_they_came, len(HOSTILE))
    assert len(HOSTILE) == 13
    assert all(refused)
    assert anew == ["picture and archive in one", "picture and page in one", "position and comment"]


def test_the_size_is_judged_before_anything_is_decoded(monkeypatch):
    def decode(self):
        raise AssertionError("decoded")

    monkeypatch.setattr("PIL.ImageFile.ImageFile.load", decode)
    with pytest.raises(Refused, match="megapixels"):
        clean_picture(HOSTILE["bomb of 2.5 gigapixels"])


@pytest.mark.parametrize(
    ("kind", "mode"), [("JPEG", "L"), ("PNG", "RGBA"), ("PNG", "P"), ("WEBP", "RGB")]
)
def test_the_three_kinds_become_jpeg(kind, mode):
    picture = clean_picture(saved(kind, mode))
    image = Image.open(io.BytesIO(picture.data))
    assert (image.format, image.mode, image.size) == ("JPEG", "RGB", (40, 30))


def test_a_picture_taken_on_its_side_stands_upright():
    exif = Image.Exif()
    exif[0x0112] = 6
    picture = clean_picture(jpeg((64, 48), exif=exif))
    assert (picture.width, picture.height) == (48, 64)


def test_a_large_picture_is_made_smaller():
    picture = clean_picture(jpeg((4000, 3000), quality=40))
    assert (picture.width, picture.height) == (MAX_SIDE, MAX_SIDE * 3 // 4)
    assert len(picture.data) < MAX_BYTES


def test_a_stored_picture_has_a_random_name_below_the_media_root(settings, tmp_path):
    settings.VALVECARE = {"MEDIA_ROOT": str(tmp_path)}
    picture = clean_picture(jpeg())
    names = {store(picture, "photos") for _ in range(3)}
    assert len(names) == 3
    for name in names:
        path = media_root() / name
        assert path.read_bytes() == picture.data
        assert tmp_path in path.parents


def test_a_broken_picture_is_refused_whatever_another_library_allows(monkeypatch):
    monkeypatch.setattr(ImageFile, "LOAD_TRUNCATED_IMAGES", True)
    with pytest.raises(Refused):
        clean_picture(HOSTILE["truncated"])
