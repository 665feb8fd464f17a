"""Invented engines over wide ranges, as samples ready to listen to."""

import numpy as np
from scipy.signal import resample_poly

from smokecase.demo.engine_note import Engine, EngineNote, engine_note
from smokecase.demo.sound_scene import Scene, recorded
from smokecase.video.sound_track import SoundTrack

# the first four were looked at while the listening was built, the others never
SEEN_NOISES = ("white", "pink", "wind", "voices")
HELD_OUT_NOISES = ("music", "rain", "traffic", "birds", "hum")


def as_track(samples, *, clipped_share=0.0):
    return SoundTrack(
        samples=np.asarray(samples, dtype=np.float32), rate_hz=8000, begins_s=0.0,
        clipped_share=clipped_share, lost_packets=0, cut=False,
    )  # fmt: skip


def start_and_idle(
    seed: int, *, cylinders: int, weak: bool, snr_db: float, noise: str
) -> tuple[EngineNote, SoundTrack]:
    """A start and an idle through a phone, everything else drawn by `seed`."""
    rng = np.random.default_rng([seed, cylinders, 5])
    crank_s = float(rng.uniform(1.2, 3.0))
    cranking_s = float(rng.uniform(0.5, 2.5))
    idle = rng.uniform(600, 1050) if cylinders > 2 else rng.uniform(750, 1300)
    left = {int(rng.integers(cylinders)): float(rng.uniform(0.0, 0.5))} if weak else {}
    engine = Engine(
        cylinders=cylinders, duration_s=float(rng.uniform(9, 15)), crank_s=crank_s,
        fires_s=crank_s + cranking_s * float(rng.uniform(0.7, 1.0)), runs_s=crank_s + cranking_s,
        idle_per_min=float(idle), crank_per_min=float(rng.uniform(130, 260)),
        run_up_s=float(rng.uniform(0.3, 1.5)), flare=float(rng.uniform(0, 0.25)),
        wander_pct=float(rng.uniform(0.2, 1.2)), burn_spread=float(rng.uniform(0.02, 0.12)),
        bore_spread=float(rng.uniform(0.01, 0.05)), weak=left, clatter=float(rng.uniform(0, 0.8)),
        whine=float(rng.uniform(0, 0.3)), starter=float(rng.uniform(0.25, 0.8)),
    )  # fmt: skip
    note = engine_note(engine, seed=seed)
    scene = Scene(
        noise=noise, snr_db=snr_db, roll_off_hz=float(rng.uniform(20, 150)),
        roll_off_order=int(rng.integers(1, 3)), automatic_gain=bool(rng.uniform() < 0.4),
        aac_bit_rate=int(rng.choice([32000, 64000, 128000])),
    )  # fmt: skip
    heard = recorded(note.sound, scene, rate_hz=note.rate_hz, seed=seed)
    return note, as_track(resample_poly(heard, 80, 441))


def noise_alone(noise: str, seed: int, *, seconds: float = 10.0) -> SoundTrack:
    """No engine, only a noise."""
    quiet = 1e-4 * np.random.default_rng(seed).normal(size=round(44100 * seconds))
    scene = Scene(noise=noise, snr_db=-60.0, roll_off_hz=40.0)
    return as_track(resample_poly(recorded(quiet, scene, rate_hz=44100, seed=seed), 80, 441))
