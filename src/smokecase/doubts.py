"""Why a reading is weak or missing, and what the user can do about it.

A doubt's name is fixed and documented: it stands in `readings.csv` and `summary.json`, and
other programs build on it. Its words and its remedy are for people.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, order=True)
class Doubt:
    """One reason to distrust a reading."""

    name: str  # fixed, snake case
    words: str  # what is wrong, in plain words
    remedy: str  # what would have helped

    def __str__(self) -> str:
        return self.name


def _doubt(name: str, words: str, remedy: str) -> Doubt:
    found = Doubt(name, words, remedy)
    DOUBTS[name] = found
    return found


DOUBTS: dict[str, Doubt] = {}  # every doubt by its name, filled below

# -- the view without smoke ---------------------------------------------------------------
SMOKE_FROM_START = _doubt(
    "smoke_from_start",
    "smoke is there from the first picture, so the clear view behind it was never seen",
    "start filming three seconds before the key is turned",
)
NO_CLEAN_PLATE = _doubt(
    "no_clean_plate",
    "no moment without smoke was found to compare with",
    "film three smoke-free seconds first, or name them with --plate-window",
)
SHORT_PLATE = _doubt(
    "short_plate",
    "the clear view rests on very few pictures",
    "film three smoke-free seconds before the start",
)
VEIL_LIKE_PLATE = _doubt(
    "veil_like_plate",
    "the smoke has nearly the colour of what lies behind it",
    "move so that something darker, lighter or more varied lies behind the plume",
)
NO_TEXTURE = _doubt(
    "no_texture",
    "what lies behind the plume is too even to show how much light is blocked",
    "hang the printed backdrop or a striped board behind the plume",
)
# -- camera and light ---------------------------------------------------------------------
SHAKY = _doubt(
    "shaky",
    "the camera shakes so much that the pictures do not lie on one another",
    "lean the phone on something firm, or use a stand",
)
MOVING_CAMERA = _doubt(
    "moving_camera",
    "the camera moves or zooms away from its first view",
    "keep the phone in one place and do not zoom",
)
SATURATED = _doubt(
    "saturated",
    "the picture is blown out to white at the plume",
    "tap the plume on the screen to darken the picture, and keep the sky out of it",
)
TOO_DARK = _doubt(
    "too_dark",
    "the picture is too dark at the plume",
    "film by day, or put a lamp beside the camera",
)
BACK_LIT = _doubt(
    "back_lit",
    "the smoke glows brighter than the light on it explains: it may be lit from behind",
    "film with the sun behind you, and lay something white in the picture",
)
EXPOSURE_UNCHECKED = _doubt(
    "exposure_unchecked",
    "too little of the picture stays free of smoke to follow the camera's exposure",
    "step back so that more of the surroundings is in the picture",
)
COLOUR_TAGS_ASSUMED = _doubt(
    "colour_tags_assumed",
    "the file does not say how its colours are coded; the usual coding was assumed",
    "use the phone's original file rather than a copy from a messenger",
)
HEAVY_COMPRESSION = _doubt(
    "heavy_compression",
    "the file is compressed so hard that fine texture is lost",
    "use the phone's original file rather than a copy from a messenger",
)
# -- the scene ----------------------------------------------------------------------------
EXIT_NOT_FOUND = _doubt(
    "exit_not_found",
    "the end of the tailpipe was not found",
    "point it out with --exit X,Y",
)
EXIT_UNCERTAIN = _doubt(
    "exit_uncertain",
    "the end of the tailpipe is known only roughly",
    "point it out with --exit X,Y",
)
DIAMETER_UNCERTAIN = _doubt(
    "diameter_uncertain",
    "the width of the tailpipe in the picture is known only roughly",
    "give it with --diameter, in pixels",
)
PIPE_SMALL = _doubt(
    "pipe_small",
    "the tailpipe is so small in the picture that the measuring section holds few pixels",
    "go nearer, until the pipe's end is as wide on the screen as the tip of your little finger",
)
PLUME_LEAVES_PICTURE = _doubt(
    "plume_leaves_picture",
    "the plume runs out of the picture, so its length and area are lower bounds",
    "step back, and leave room on the side the smoke drifts to",
)
SECTION_OUTSIDE = _doubt(
    "section_outside",
    "the measuring section lies partly outside the picture",
    "leave at least two pipe diameters of room beyond the end of the pipe",
)
SECTION_HIDDEN = _doubt(
    "section_hidden",
    "something solid stood before the measuring section",
    "keep people and things out of the view between camera and plume",
)
SHADOW = _doubt(
    "shadow",
    "a shadow or a change of light crosses the measuring section",
    "film when the light is steady, and stand so that no shadow falls on the plume",
)
TOO_SHORT = _doubt(
    "too_short",
    "the clip is too short to tell a story over time",
    "film from three seconds before the start until a minute after it",
)
BOARD_OFF_SECTION = _doubt(
    "board_off_section",
    "the backdrop does not lie behind the measuring section, so it was not used there",
    "hang the backdrop so that its black and white patches lie right behind the plume's start",
)
# -- the smoke ----------------------------------------------------------------------------
DENSE = _doubt(
    "dense",
    "the smoke is so thick that hardly any light comes through",
    "film further from the pipe too, where the smoke has thinned",
)
DETACHED_PLUME = _doubt(
    "detached_plume",
    "the smoke begins away from the pipe, so the measuring section is nearly clear",
    "read the plume's own figures beside the one at the pipe",
)
COLOUR_OPEN = _doubt(
    "colour_open",
    "the colour of the smoke cannot be told from this picture",
    "film against a darker and a lighter background, with the sun behind you",
)
SMOKE_OPEN = _doubt(
    "smoke_open",
    "the view at the pipe changes as smoke would change it, but whether it is smoke cannot be told",
    "film again with the phone on something firm, from the side, with nothing else moving",
)
COLOUR_CAST = _doubt(
    "colour_cast",
    "the smoke has a pink or green cast, which neither smoke nor daylight has",
    "switch off filters and coloured lamps, and lay something white in the picture",
)
TWO_COLOURS = _doubt(
    "two_colours",
    "no single smoke fits what was filmed: two colours in one plume, or dust or rain besides",
    "film once more without dust or rain, and once with the plume in even light",
)
PUFF_RATE_OPEN = _doubt(
    "puff_rate_open",
    "no puff rate could be told",
    "hold the phone still, the pipe's end in plain view, and film at 30 pictures a second or more",
)
# -- the file -----------------------------------------------------------------------------
SINGLE_STILL = _doubt(
    "single_still",
    "one picture alone shows no view without smoke to compare with",
    "add a picture of the same view without smoke with --plate",
)
DAMAGED_FILE = _doubt(
    "damaged_file",
    "parts of the file are damaged and were left out",
    "copy the file from the phone again",
)
TRUNCATED_FILE = _doubt(
    "truncated_file",
    "the recording breaks off before its end",
    "copy the file from the phone again",
)
BAD_TIME_STAMPS = _doubt(
    "bad_time_stamps",
    "the pictures' time stamps are missing or run backwards; even spacing was assumed",
    "use the phone's original file",
)
# -- the sound ----------------------------------------------------------------------------
NO_SOUND = _doubt("no_sound", "the clip has no sound", "film with the microphone switched on")
SOUND_CLIPPED = _doubt(
    "sound_clipped", "the sound is overdriven", "hold the phone further from the pipe"
)
WIND_NOISE = _doubt(
    "wind_noise", "wind in the microphone covers the engine", "shield the phone from the wind"
)
NO_ENGINE_HEARD = _doubt(
    "no_engine_heard",
    "no engine can be told from the sound",
    "film nearer to the tailpipe, without talking or music",
)
IDLE_NOT_REACHED = _doubt(
    "idle_not_reached",
    "the engine's speed had not settled to its idle before the sound ended",
    "film until it has idled for ten seconds",
)
SPEED_OPEN = _doubt(
    "speed_open",
    "the engine speed fits two readings that differ by a factor of two",
    "tell how many cylinders the engine has",
)
