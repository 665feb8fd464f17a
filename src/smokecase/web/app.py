"""Layout and wiring of the page: one sheet of own markup, one event that carries every tap."""

from typing import Any

import gradio as gr

from smokecase.web.shop import Shop


def build_page(language: str, shop: Shop) -> gr.Blocks:
    """Build the page in one language; the door serves it.

    Parameters
    ----------
    language : str
        One of `languages.LANGUAGES`.
    shop : Shop
        Where it works.
    """
    with gr.Blocks(title="smokecase", analytics_enabled=False, fill_width=True) as page:
        sheet = gr.HTML(
            "<main id='sheet'>smokecase</main>",
            elem_id="smokecase",
            apply_default_css=False,
            js_on_load="window.smokecase.start(element, trigger, watch)",
        )

        def act(event: gr.EventData) -> str:
            told: dict[str, Any] = event._data or {}
            return f"<main id='sheet'>{told.get('do', '')}</main>"

        sheet.click(act, None, [sheet], show_progress="hidden", api_visibility="private")
    return page
