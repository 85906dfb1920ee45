"""Pictures from strangers: decoded, checked, written anew. Nothing of the file itself is kept.

The kind is found by decoding, never by name or declared type. The size is read from the header
before anything is decoded, so that a small file cannot unfold into a huge picture.
"""

import hashlib
import io
import os
import uuid
import warnings
from dataclasses import dataclass
from pathlib import Path

from django.conf import settings
from PIL import Image, ImageFile, ImageOps

from valvecare.core.conf import options
from valvecare.core.errors import Reason, Refused

MAX_BYTES = 12_000_000
MAX_PIXELS = 40_000_000
MAX_SIDE = 2560
"""Longest side that is kept, in pixels; larger pictures are made smaller."""

_KINDS = ("JPEG", "PNG", "WEBP")
_QUALITY = 85


@dataclass(frozen=True, slots=True)
class Picture:
    """A JPEG of our own making: bytes, pixels and SHA-256."""

    data: bytes
    width: int
    height: int
    sha256: str


def _refuse(code: str, words: str, remedy: str) -> Refused:
    return Refused(Reason(code, words, remedy))


def clean_picture(data: bytes) -> Picture:
    """Decode JPEG, PNG or WebP and write it anew as JPEG, upright, without any metadata.

    Raises `Refused` for anything else, for broken files, above 12 MB and above 40 megapixels.
    """
    if len(data) > MAX_BYTES:
        raise _refuse(
            "picture_too_large",
            f"The photograph has {len(data) / 1e6:.1f} MB; {MAX_BYTES / 1e6:g} MB are the most.",
            "Take it with a smaller size, or let the phone page make it smaller.",
        )
    # a library that draws PDF files lets Pillow fill up broken pictures, for the whole process
    ImageFile.LOAD_TRUNCATED_IMAGES = False
    try:
        with warnings.catch_warnings():
            # the size is judged by our own limit below, from the header
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            image: Image.Image = Image.open(io.BytesIO(data), formats=_KINDS)
            if image.width * image.height > MAX_PIXELS:
                raise Image.DecompressionBombError
            image.load()
        image = ImageOps.exif_transpose(image)
        if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
            layer = image.convert("RGBA")
            image = Image.new("RGB", layer.size, "white")
            image.paste(layer, mask=layer.getchannel("A"))
        image = image.convert("RGB")
        image.thumbnail((MAX_SIDE, MAX_SIDE))
        # only the pixels go on: a fresh picture carries no comment, profile or position
        fresh = Image.frombytes("RGB", image.size, image.tobytes())
    except Image.DecompressionBombError:
        raise _refuse(
            "picture_too_many_pixels",
            f"The photograph has more than {MAX_PIXELS / 1e6:g} megapixels.",
            "Take it with fewer.",
        ) from None
    except (OSError, ValueError, SyntaxError, EOFError, IndexError, KeyError, TypeError):
        raise _refuse(
            "not_a_picture",
            "The file is not a whole JPEG, PNG or WebP picture.",
            "Take the photograph again.",
        ) from None
    out = io.BytesIO()
    fresh.save(out, "JPEG", quality=_QUALITY)
    written = out.getvalue()
    return Picture(written, fresh.width, fresh.height, hashlib.sha256(written).hexdigest())


def media_root() -> Path:
    """The folder for uploads, outside the web root."""
    return Path(options().MEDIA_ROOT or settings.MEDIA_ROOT)


def store(picture: Picture, folder: str) -> str:
    """Write the picture durably under a random name; returns the name below the media root.

    Call before the row is written: a roll-back then leaves a file without a row, never a row
    without a file.
    """
    name = uuid.uuid4().hex
    path = media_root() / folder / name[:2] / f"{name}.jpg"
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("xb") as file:
        file.write(picture.data)
        file.flush()
        os.fsync(file.fileno())
    path.chmod(0o640)
    return str(path.relative_to(media_root()))
