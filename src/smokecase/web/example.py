"""An example case to click through: the invented clips that come with the program."""

from datetime import UTC, datetime

from smokecase.case.store import CaseStore
from smokecase.casework import bring_clip
from smokecase.languages import say
from smokecase.model_files import find_model
from smokecase.web.sitting import Sitting

CLIPS = ("press_engine_start", "press_engine_sister")


def open_example(sitting: Sitting, store: CaseStore, *, author: str) -> str:
    """Open the example's case, a fresh one for each who asks; returns its number.

    Its clips are brought and wait to be measured, so that every step can be tried.
    """
    now = datetime.now(UTC)
    wanted = say("Example: old press engine (invented)", sitting.language)
    taken = {case.name for case in store.list_cases()}
    name, n = wanted, 1
    while name in taken:
        n += 1
        name = f"{wanted} ({n})"
    case = store.open_case(name, engine={}, author=author, time=now)
    for clip in CLIPS:
        path = find_model(f"demo/{clip}.mp4")
        bring_clip(store, store.read_case(case.id), path, name=path.name, author=author, time=now,
                   look=sitting.desk.looks.look_first)  # fmt: skip
    return case.id
