"""Ways of filming badly, and what following each advice of smokecase means for the filming.

An advice is the remedy of a doubt (`smokecase.doubts`). What it changes is looked up by the doubt's
name alone: nothing here knows which fault a clip was given.
"""

from dataclasses import replace

from tests.benchmarks.advice_filming import CLIP_S, CRANKS_S, STARTS_S, STOPS, STORY_S, Filming

FIRST_SEED, SEEDS_APART = 12_000, 20
STEPPED_BACK = 0.55  # pipe's width in the picture after stepping back, over before
PINK = (1.35, 0.85, 1.25)
LONG_S = STORY_S - 0.5

# fault: (what the one with the phone did, what it changes)
FAULTS = {
    "wall": ("filmed before a wall of the smoke's own colour", {"behind": "like_smoke"}),
    "late": ("switched on two seconds after the start", {"begins_s": STARTS_S + 2.0}),
    "barely": ("switched on a moment before the smoke", {"begins_s": CRANKS_S - 0.15}),
    "walking": ("walked about while filming", {"hold": "walking"}),
    "waving": ("waved the phone about", {"hold": "violent"}),
    "zooming": ("zoomed in while filming", {"hold": "zoom"}),
    "night": ("filmed at night without a lamp", {"by_lamp": True}),
    "blown out": ("let the picture blow out", {"stops": 3.6}),
    "sun behind": ("filmed against the sun", {"light": "sun_back"}),
    "too near": ("stood so near that the pipe fills the picture", {"nearness": 2.6}),
    "far off": ("stood far off: the pipe is tiny in the picture", {"nearness": 0.25}),
    "hidden": ("had the pipe hidden behind the bumper", {"pipe_seen": False}),
    "passer-by": ("let someone walk through the view", {"nuisances": ("passer_by",)}),
    "shadow": (
        "filmed while shadows and clouds went over",
        {"light": "drifting_cloud", "nuisances": ("shadow",)},
    ),
    "exposure": ("let the camera's exposure jump", {"nuisances": ("exposure_jump",)}),
    "rain": ("filmed in the rain", {"nuisances": ("rain",)}),
    "tint": ("filmed through a pink filter", {"tint": PINK}),
    "copy": ("brought a copy from a messenger, of few bits", {"copy": True}),
    "short": ("stopped after three seconds", {"begins_s": CRANKS_S - 1.2, "lasts_s": 3.0}),
}  # fmt: skip

# doubts that name the fault; only the page asks, to tell how often smokecase saw what was wrong
NAMED_BY = {
    "wall": ("veil_like_plate", "no_texture"),
    "late": ("smoke_from_start", "no_clean_plate"),
    "barely": ("short_plate",),
    "walking": ("moving_camera", "shaky"),
    "waving": ("moving_camera", "shaky"),
    "zooming": ("moving_camera", "shaky"),
    "night": ("too_dark",),
    "blown out": ("saturated",),
    "sun behind": ("back_lit",),
    "too near": ("plume_leaves_picture", "exposure_unchecked", "section_outside"),
    "far off": ("pipe_small", "exit_not_found", "exit_uncertain", "diameter_uncertain"),
    "hidden": ("exit_not_found", "exit_uncertain"),
    "passer-by": ("section_hidden",),
    "shadow": ("shadow",),
    "exposure": ("exposure_unchecked",),
    "rain": ("two_colours",),
    "tint": ("colour_cast",),
    "copy": ("colour_tags_assumed", "heavy_compression"),
    "short": ("too_short", "short_plate"),
}


def _without(filming, *names):
    return {"nuisances": tuple(n for n in filming.nuisances if n not in names)}


def _begin_early(filming):
    return {"begins_s": 0.0, "lasts_s": max(filming.lasts_s, CLIP_S)}


def _step_back(filming):
    return {"nearness": filming.nearness * STEPPED_BACK}


# doubt: (words for the page, changes of a filming); each as its remedy says
FOLLOWED = {
    "smoke_from_start": ("recording begins three seconds before the key is turned", _begin_early),
    "no_clean_plate": ("recording begins three smoke-free seconds earlier", _begin_early),
    "short_plate": ("recording begins three smoke-free seconds earlier", _begin_early),
    "veil_like_plate": (
        "moved until dark boards stand behind the plume", lambda f: {"behind": "boards"},
    ),
    "shaky": ("the phone on a stand", lambda f: {"hold": "tripod"}),
    "moving_camera": ("the phone held in one place by hand, no zoom", lambda f: {"hold": "hand"}),
    "saturated": ("the plume tapped on the screen: exposure brought down",
                  lambda f: {"stops": STOPS}),
    "too_dark": ("filmed by day", lambda f: {"by_lamp": False, "light": "overcast"}),
    "back_lit": ("the sun behind the camera", lambda f: {"light": "sun_front"}),
    "exposure_unchecked": ("stepped back", _step_back),
    "plume_leaves_picture": ("stepped back", _step_back),
    "colour_tags_assumed": ("the phone's own file", lambda f: {"copy": False}),
    "heavy_compression": ("the phone's own file", lambda f: {"copy": False}),
    "pipe_small": ("gone nearer", lambda f: {"nearness": 1.0}),
    "exit_not_found": ("the pipe's end pointed out", lambda f: {"told": (*f.told, "exit")}),
    "exit_uncertain": ("the pipe's end pointed out", lambda f: {"told": (*f.told, "exit")}),
    "diameter_uncertain": ("the pipe's width told", lambda f: {"told": (*f.told, "diameter")}),
    "section_hidden": ("nobody walks through", lambda f: _without(f, "passer_by")),
    "shadow": (
        "filmed under an even sky, no shadow falls on the plume",
        lambda f: {"light": "overcast"} | _without(f, "shadow"),
    ),
    "too_short": ("recorded from three seconds before the start for as long as the yard's story "
                  f"lasts ({LONG_S:.0f} s)", lambda f: {"begins_s": 0.0, "lasts_s": LONG_S}),
    "smoke_open": (
        "the phone on a stand, nothing else moves",
        lambda f: {"hold": "tripod", "nuisances": ()},
    ),
    "no_texture": ("a striped light and dark board behind", lambda f: {"behind": "bands"}),
    "colour_open": (
        "a striped light and dark board behind, the sun behind the camera",
        lambda f: {"behind": "bands", "light": "sun_front"},
    ),
    "colour_cast": ("filter off", lambda f: {"tint": (1.0, 1.0, 1.0)}),
    "two_colours": (
        "filmed without rain, in even light",
        lambda f: {"light": "overcast"} | _without(f, "rain", "dust", "shadow"),
    ),
}  # fmt: skip

TOLD = ("exit_not_found", "exit_uncertain", "diameter_uncertain")  # the same clip, told more
COLOUR_ADVICE = ("colour_open", "colour_cast", "two_colours")  # judged by the colour named

_SOUND = "of the sound, which no opacity hangs on (examples/listening.md)"
_FILE = "of a damaged file, not of filming (examples/faults.md)"
NOT_TRIED = {
    "section_outside": "the invented yards always leave room beyond the pipe",
    "board_off_section": "about the printed backdrop (examples/backdrop/figures.txt)",
    "dense": "asks for a second reading further off, it does not change the one at the pipe",
    "detached_plume": "asks to read another figure of the same clip",
    "puff_rate_open": "changes the puff rate only, which no opacity hangs on",
    "single_still": "about single pictures, these are clips",
    "damaged_file": _FILE,
    "truncated_file": _FILE,
    "bad_time_stamps": _FILE,
    "no_sound": _SOUND,
    "sound_clipped": _SOUND,
    "wind_noise": _SOUND,
    "no_engine_heard": _SOUND,
    "idle_not_reached": _SOUND,
    "speed_open": _SOUND,
}


def badly_filmed(fault, k):
    """Film the k-th yard of a fault badly in this one way."""
    seed = FIRST_SEED + SEEDS_APART * list(FAULTS).index(fault) + k
    return Filming(seed=seed, **FAULTS[fault][1])


def follow(filming, *advice):
    """Film again as advised, knowing only the names of the doubts."""
    for name in advice:
        filming = replace(filming, **FOLLOWED[name][1](filming))
    return filming
