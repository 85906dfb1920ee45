"""Take the pictures of the technician's guide anew, from the running program.

    python -m tests.journeys.refresh_pictures

Runs the journeys on a phone (invented plant) and keeps some of their pictures in docs/pictures.
"""

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

from tests.journeys.processes import ROOT

PICTURES = {
    "phone-all-steps": "taken along",
    "phone-wrong-valve": "identity answered",
    "phone-caution": "gates isolated",
    "phone-waiting": "on this phone after a restart",
    "phone-judge": "findings main disc",
    "phone-both-sides": "both sides",
    "phone-sign": "sign",
}
"""File in docs/pictures: what the journey calls the picture (the first of that name)."""

JOURNEYS = (
    "tests/journeys/test_strip_down_on_a_phone.py",
    "tests/browser/test_phone_offline.py::test_the_same_step_overtaken_is_chosen_field_by_field",
)
MOST_BYTES = 60_000


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-p", "no:xdist", *JOURNEYS],
            env={**os.environ, "SHOTS": folder},
            cwd=ROOT,
            check=True,
        )
        for name, shot in PICTURES.items():
            taken = min(Path(folder).glob(f"[0-9][0-9] {shot}.png"))
            target = ROOT / "docs" / "pictures" / f"{name}.png"
            with Image.open(taken) as image:
                image.convert("RGB").quantize(64).save(target, optimize=True)
            size = target.stat().st_size
            sys.stdout.write(f"{target.name}: {size / 1000:.0f} kB\n")
            if size > MOST_BYTES:
                raise SystemExit(f"{target.name} is larger than {MOST_BYTES} bytes.")


if __name__ == "__main__":
    main()
