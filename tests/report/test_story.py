"""The story in plain words: every number with its interval, or with the reason for having none."""

from dataclasses import replace

import numpy as np

from made_examinations import a_pair, a_refused_examination, an_examination
from smokecase.doubts import SMOKE_FROM_START, SMOKE_OPEN
from smokecase.readings import SmokeTiming, SoundReading
from smokecase.report.story import tell_colour, tell_doubts, tell_peak, tell_story, tell_summary
from smokecase.trace import SmokeTrace


def test_the_story_of_a_start_that_clears():
    assert tell_story(an_examination()) == (
        "The engine starts at 1.8 s. Smoke is first seen at 2.0 s. It is densest at 2.1 s, where "
        "it blocks 58 % (52 to 64) of the light just beyond the end of the pipe. It falls to half "
        "of that within 1.0 s and to a tenth within 3.5 s. Towards the end it settles at 2 % "
        "(-4 to 8). Smoke can be seen 47 % of the time, at the longest for 3.7 s without a break. "
        "It comes in puffs, 6.00 (5.80 to 6.20) a second. The smoke is black (weights, which say "
        "how sure that is: black 90 %, blue 4 %, white 6 %, no smoke 0 %). Times are those of "
        "single pictures, 0.10 s apart, and carry no interval of their own; puffs and noise can "
        "move them by some tenths of a second."
    )


def test_smoke_that_stays_is_told_as_such():
    whole = an_examination()
    stays = replace(whole, timing=replace(whole.timing, half_fall_s=None, tenth_fall_s=None))
    half = replace(whole, timing=replace(whole.timing, tenth_fall_s=None))

    assert "It does not fall to half of that before the clip ends." in tell_story(stays)
    assert "within 1.0 s and does not fall to a tenth before the clip ends." in tell_story(half)


def test_a_clip_without_smoke_says_what_would_have_been_missed():
    whole = an_examination()
    n = len(whole.trace)
    trace = replace(whole.trace, opacity_pct=np.zeros(n), opacity_low_pct=np.full(n, -4.0),
                    opacity_high_pct=np.full(n, 4.0))  # fmt: skip
    clear = replace(
        whole, trace=trace, timing=SmokeTiming(visible_share=0.0),
        colour=replace(whole.colour, black=0.0, blue=0.0, white=0.0, none=1.0, word="none"),
    )  # fmt: skip

    story = tell_story(clear)

    assert story == (
        "No smoke was seen. Over the whole clip the measuring section read 0 % (-4 to 4); smoke "
        "thinner than the upper end of this interval would not have shown."
    )
    assert tell_colour(clear) == "No smoke was seen, so there is no colour to tell."


def test_where_smoke_stays_open_the_highest_reading_is_told():
    whole = an_examination()
    n = len(whole.trace)
    opacity = np.where(np.arange(n) >= n // 2, 12.0, 1.0)
    trace = replace(whole.trace, opacity_pct=opacity, opacity_low_pct=opacity - 5.0,
                    opacity_high_pct=opacity + 5.0)  # fmt: skip
    smoke_open = replace(whole, trace=trace, timing=SmokeTiming(), doubts=frozenset({SMOKE_OPEN}))

    story = tell_story(smoke_open)

    assert story.startswith(
        "Whether there is smoke cannot be told. The highest reading of the measuring section is "
        "12 % (7 to 17), around "
    )
    assert "if it is smoke, it blocked so much of the light then." in story
    assert "cannot be said" in tell_story(replace(smoke_open, trace=SmokeTrace.from_readings([])))


def test_smoke_from_the_first_picture_has_no_onset_to_tell():
    story = tell_story(replace(an_examination(), doubts=frozenset({SMOKE_FROM_START})))

    assert "Smoke is there from the first picture. It is densest at 2.1 s" in story


def test_readings_that_are_missing_are_said_with_their_reason():
    unread = replace(a_refused_examination(), refused=None)
    smoky = replace(unread, timing=an_examination().timing)
    pair = replace(unread, source="pair")
    mapped = replace(pair, opacity_map=a_pair().opacity_map)
    why = "what lies behind the plume is too even to show how much light is blocked."

    assert tell_story(unread) == (
        f"No smoke was seen. How thin a smoke could have gone unseen cannot be said: {why}"
    )
    assert f"It is densest at 2.1 s, but how much light it blocks could not be read: {why}" in (
        tell_story(smoky)
    )
    assert tell_story(pair).startswith(
        f"How much light is blocked just beyond the end of the pipe could not be read: {why}"
    )
    assert tell_story(mapped).startswith(
        "No end of a pipe is known, so there is no measuring section; over the pixels that can be "
        "read (89 % of them) the middle opacity is 42 % (38 to 46), and opacity_map.png shows"
    )


def test_an_open_interval_is_called_open():
    whole = an_examination()
    open_above = np.full(len(whole.trace), np.inf)

    story = tell_story(replace(whole, trace=replace(whole.trace, opacity_high_pct=open_above)))

    assert "it blocks 58 % (52 to open) of the light" in story


def test_a_refused_clip_begins_with_the_reason():
    story = tell_story(a_refused_examination())

    assert story == (
        "No opacity is given for this clip: what lies behind the plume is too even to show how "
        "much light is blocked."
    )


def test_a_pair_of_stills_tells_one_reading():
    story = tell_story(a_pair())

    assert story.startswith(
        "Between the two pictures the smoke blocks 40 % (36 to 44) of the light just beyond the "
        "end of the pipe. The smoke is black"
    )


def test_an_open_colour_is_not_sold_as_one():
    whole = an_examination()
    open_colour = replace(
        whole.colour, black=0.3, blue=0.3, white=0.4, colour_open=True, word="pale"
    )

    assert tell_colour(replace(whole, colour=open_colour)) == (
        "The colour cannot be told from what was filmed (weights, which say how sure that is: "
        "black 30 %, blue 30 %, white 40 %, no smoke 0 %)."
    )


def test_each_doubt_stands_with_its_remedy():
    assert tell_doubts(a_refused_examination()) == [
        "what lies behind the plume is too even to show how much light is blocked: hang the "
        "printed backdrop or a striped board behind the plume",
        "the clip is too short to tell a story over time: film from three seconds before the "
        "start until a minute after it",
    ]


def test_what_the_sound_gave_is_told():
    sound = SoundReading(runs_s=1.9, words="The engine idles at 820 1/min (790 to 850).")
    whole = an_examination(sound=sound)
    unseen = replace(whole, timing=replace(whole.timing, engine_start_s=None))

    assert tell_story(unseen).startswith("By its sound the engine runs from 1.9 s on. Smoke is")
    assert "\nSound: The engine idles at 820 1/min (790 to 850).\n" in tell_summary(whole)


def test_the_summary_fits_one_screen():
    from smokecase.doubts import DOUBTS

    summary = tell_summary(replace(an_examination(), doubts=frozenset(DOUBTS.values())))

    lines = summary.splitlines()
    assert len(lines) <= 40
    assert max(len(line) for line in lines) <= 80
    assert lines[:2] == [
        "yard.mp4: 8.0 s, 640 x 360 pixels, 80 pictures measured",
        "end of the pipe at 200,180 (95 %: +/- 3), its width 30 (95 %: +/- 4) pixels",
    ]
    assert f"- and {len(DOUBTS) - 6} more, in README.txt of the folder that --out names" in lines
    assert "no legal smoke test." in summary


def test_a_peak_that_could_not_be_read_is_not_told_from_a_thinner_moment_beside_it():
    found = an_examination()
    trace = found.trace
    opacity = trace.opacity_pct.copy()
    opacity[np.abs(trace.time_s - found.timing.peak_s) < 0.14] = np.nan
    found = replace(found, trace=replace(trace, opacity_pct=opacity))

    assert tell_peak(found) is None
    assert found._peak() is None
    assert "opacity not readable" in str(found)
