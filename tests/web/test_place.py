"""The page's address: taken apart, and nothing in it believed."""

import pytest

from smokecase.web.place import Place

CASE = "0123456789abcdef" * 2


def test_an_address_comes_back_as_it_was():
    place = Place(case=CASE, step="weigh", clip=3, about="smell", trial="sweet")

    assert place.address == f"?case={CASE}&step=weigh&clip=3&about=smell&trial=sweet"
    told = {"case": CASE, "step": "weigh", "clip": "3", "about": "smell", "trial": "sweet"}
    assert Place.read(told) == place


@pytest.mark.parametrize("case", ["Old press engine", "0123", "../../etc", "G" * 32, None, 7])
def test_a_case_is_opened_by_its_full_number_only(case):
    place = Place.read({"case": case, "step": "report"})

    assert (place.case, place.step) == ("", "home")


@pytest.mark.parametrize("clip", ["-1", "1e9", "two", "12345678", "\u0663", None])
def test_a_clip_that_is_no_small_number_is_none(clip):
    assert Place.read({"case": CASE, "clip": clip}).clip == 0


def test_a_step_that_is_not_there_leads_to_the_clips():
    assert Place.read({"case": CASE, "step": "admin"}).step == "bring"


def test_going_to_another_step_closes_what_was_open():
    place = Place(case=CASE, step="weigh", about="smell", trial="sweet").at("check")

    assert (place.step, place.about, place.trial) == ("check", "", "")
