"""How drawn figures look, and how they are saved: the same figure gives the same bytes."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

JPEG_QUALITY = 88  # for looking, never for measuring
INK, FAINT, PAPER = "#1d2429", "#8a949b", "#fcfcfa"
OPACITY, PLUME, MARK = "#1b6478", "#b8691b", "#7a2e4d"
SETTINGS: Any = {  # the library types each key apart
    "font.family": "DejaVu Sans",
    "font.size": 9.5,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "hatch.linewidth": 0.7,
    "svg.hashsalt": "smokecase",  # the same examination gives the same bytes
    "svg.fonttype": "path",
}


def title(words: str, clip: str) -> str:
    """Head of a figure with the name of its clip, a long one shortened in its middle."""
    return f"{words}: {clip if len(clip) <= 60 else f'{clip[:40]}...{clip[-16:]}'}"


def to_png(figure: "Figure", *, dots_per_inch: int = 130) -> bytes:
    """PNG of a figure, without the time of its making."""
    return _saved(figure, "png", dpi=dots_per_inch, metadata={"Software": "smokecase"})


def to_jpeg(figure: "Figure", *, dots_per_inch: int = 130) -> bytes:
    """JPEG of a figure that holds photographs, small enough to put away."""
    return _saved(figure, "jpg", dpi=dots_per_inch, pil_kwargs={"quality": JPEG_QUALITY})


def to_svg(figure: "Figure") -> bytes:
    """SVG of a figure, without the time of its making."""
    return _saved(figure, "svg", metadata={"Date": None, "Creator": "smokecase"})


def _saved(figure: "Figure", form: str, **options: Any) -> bytes:
    import io

    import matplotlib as mpl

    with mpl.rc_context(SETTINGS):
        out = io.BytesIO()
        figure.savefig(out, format=form, facecolor=figure.get_facecolor(), **options)
    return out.getvalue()
