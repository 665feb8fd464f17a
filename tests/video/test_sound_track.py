"""The sound of a file as one column of numbers, whatever the file says of it."""

import struct

import numpy as np
import pytest
from tests.made_clips import write_sound

from smokecase.errors import ClipError
from smokecase.video.sound_track import read_sound


def write_wav(path, samples, rate_hz, channels=1):
    """Sixteen bits, by the published form of the file (RIFF, WAVE, fmt, data)."""
    body = np.asarray(samples, "<i2").tobytes()
    form = struct.pack("<IHHIIHH", 16, 1, channels, rate_hz, 0, 2 * channels, 16)
    head = b"RIFF" + struct.pack("<I", 36 + len(body)) + b"WAVEfmt " + form + b"data"
    path.write_bytes(head + struct.pack("<I", len(body)) + body)
    return path


def test_samples_at_the_rate_asked_for_come_back_as_they_are(tmp_path):
    samples = np.round(3000 * np.sin(np.arange(9000) / 7))

    sound = read_sound(write_wav(tmp_path / "a.wav", samples, 8000))

    assert sound.rate_hz == 8000
    np.testing.assert_array_equal(sound.samples, (samples / 32768).astype(np.float32))
    assert (sound.begins_s, sound.lost_packets, sound.cut) == (0.0, 0, False)


def test_another_rate_and_two_channels_become_one_column(tmp_path):
    wave = np.sin(2 * np.pi * 50 * np.arange(48_000) / 48_000)
    samples = np.stack([8000 * wave, 4000 * wave], axis=1).ravel()

    sound = read_sound(write_wav(tmp_path / "a.wav", samples, 48_000, channels=2))

    assert sound.duration_s == pytest.approx(1.0, abs=0.01)  # the filter's ends
    middle = sound.samples[2000:6000]
    # each channel at 3 dB less, summed: equal power, ITU-R BS.775-3, annex 4 (from memory)
    assert np.sqrt(2) * middle.std() == pytest.approx(12_000 / np.sqrt(2) / 32768, rel=0.01)


@pytest.mark.parametrize("rate_hz", [0x30000000, 0x7FFFFFFF])
def test_a_rate_that_no_sound_has_is_no_sound(tmp_path, rate_hz):
    assert read_sound(write_wav(tmp_path / "a.wav", np.zeros(4000), rate_hz)) is None


def test_a_rate_below_zero_is_one_sentence(tmp_path):
    path = write_wav(tmp_path / "a.wav", np.zeros(4000), 0xFFFFFFFF)

    with pytest.raises(ClipError, match=r"a\.wav: it is no sound or clip; name a clip or a sound"):
        read_sound(path)


def test_a_coded_sound_keeps_its_length(tmp_path):
    sound = read_sound(write_sound(tmp_path / "a.m4a", 0.5))

    assert sound.duration_s == pytest.approx(0.5, abs=0.15)  # a coder's frames of 128 ms
