"""Makes the example backdrop and the pictures of its pages: `python examples/backdrop.py`.

Writes examples/backdrop/: the PDF, the sheet as SVG, and both pages as PNG (100 dpi, by
pypdfium2 from the development dependencies). The measured figures beside them come from
`python tests/benchmarks/backdrop_figures.py 24`.
"""

from pathlib import Path

import pypdfium2

from smokecase.report.backdrop import write_backdrop

FOLDER = Path(__file__).parent / "backdrop"


def main() -> None:
    """Write the files."""
    FOLDER.mkdir(exist_ok=True)
    path = FOLDER / "backdrop.pdf"
    write_backdrop(path, paper="A4", sheets=1, distance_m=2.0)
    for number, page in enumerate(pypdfium2.PdfDocument(path), start=1):
        page.render(scale=100 / 72).to_pil().save(FOLDER / f"page-{number}.png", optimize=True)
    print(f"written to {FOLDER.name}/")


if __name__ == "__main__":
    main()
