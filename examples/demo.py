"""Makes the pictures and the text of the demo that stand in the README: `python examples/demo.py`.

Writes examples/demo/: contact_sheet.png and timeline.png of the bundled invented clip, and
screen.txt, what `smokecase demo` prints. Takes about a minute.
"""

import contextlib
import io
import tempfile
from pathlib import Path

from PIL import Image

from smokecase.cli import main as smokecase

FOLDER = Path(__file__).parent / "demo"
COLOURS = 256  # of a picture kept in the repository


def main() -> None:
    """Run the demo, and keep its pictures and its text."""
    FOLDER.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as aside:
        out = Path(aside) / "demo-out"
        shown = io.StringIO()
        with contextlib.redirect_stdout(shown):
            smokecase(["demo", "--out", str(out)])
        for name in ("contact_sheet.png", "timeline.png"):
            picture = Image.open(out / name).convert("RGB").quantize(COLOURS)
            picture.save(FOLDER / name, optimize=True)
    (FOLDER / "screen.txt").write_text(shown.getvalue(), encoding="utf-8")
    print(shown.getvalue(), end="")


if __name__ == "__main__":
    main()
