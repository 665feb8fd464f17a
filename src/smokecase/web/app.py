"""Wiring of the page: one sheet of own markup, and one event that carries every tap.

The address holds where a visitor is, the case store holds everything else; the server keeps nothing
of its own, so a reload, a lost connection or a new server changes nothing.
"""

from typing import Any

import gradio as gr

from smokecase.languages import say
from smokecase.web.outgoing import is_loopback
from smokecase.web.shop import Shop
from smokecase.web.show import answer_tap
from smokecase.web.sitting import Sitting

MOST_AT_ONCE = 12  # taps of all visitors that are answered side by side
LOOKS_FOR_TAPS_S = 0.01


def build_page(language: str, shop: Shop) -> gr.Blocks:
    """Build the page in one language; the door serves it.

    Parameters
    ----------
    language : str
        One of `languages.LANGUAGES`.
    shop : Shop
        Where it works.
    """
    sitting = Sitting(shop, language)

    def open_at(request: gr.Request) -> str:
        told = {**dict(request.query_params), "do": "go"}
        return answer_tap(sitting, told, here=_from_here(request))

    # the framework looks for the names of classes here, so the annotations are no strings
    def act(event: gr.EventData, request: gr.Request) -> str:
        told: dict[str, Any] = event._data if isinstance(event._data, dict) else {}
        return answer_tap(sitting, told, here=_from_here(request))

    opening = say("Opening…", language)
    page: gr.Blocks = gr.Blocks(title="smokecase", analytics_enabled=False, fill_width=True)
    with page:
        sheet = gr.HTML(
            f'<div id="sheet" class="opening" lang="{language}"><p>{opening}</p></div>',
            elem_id="smokecase",
            apply_default_css=False,
            js_on_load="window.smokecase.start(element, trigger, watch)",
        )
        quiet: dict[str, Any] = {
            "show_progress": "hidden",
            "concurrency_limit": MOST_AT_ONCE,
            "api_visibility": "private",
        }
        page.load(open_at, None, [sheet], **quiet)
        sheet.click(act, None, [sheet], trigger_mode="multiple", **quiet)
    # the framework looks for taps a thousand times a second, which takes from what measures
    page._queue.sleep_when_free = LOOKS_FOR_TAPS_S
    return page


def _from_here(request: gr.Request) -> bool:
    """Whether the visitor sits at this machine."""
    return request.client is not None and is_loopback(request.client.host)
