"""The page's own look: colours, letters, sizes and its script, from the files beside this one."""

from pathlib import Path
from typing import Any

import gradio as gr

HERE = Path(__file__).parent


class Workshop(gr.themes.Base):
    """A plain base for what is not the page's own markup; no fonts from elsewhere."""

    def __init__(self) -> None:
        letters = ["system-ui", "sans-serif"]
        super().__init__(
            primary_hue=gr.themes.colors.cyan,
            neutral_hue=gr.themes.colors.slate,
            radius_size=gr.themes.sizes.radius_none,
            font=letters,
            font_mono=["ui-monospace", "monospace"],
        )


def _head() -> str:
    script = (HERE / "page.js").read_text(encoding="utf-8")
    style = (HERE / "page.css").read_text(encoding="utf-8")
    return (
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark">'
        # not by the framework's `css`: it puts a prefix after every comma, those in :is() too
        f"<style>{style}</style><script>{script}</script>"
    )


# keywords of gradio's mount and launch
LOOK: dict[str, Any] = {
    "theme": Workshop(),
    "head": _head(),
}
