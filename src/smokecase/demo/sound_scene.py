"""What lies between an invented engine and a sound file: noises, microphone, file format.

Public: `noise` (by kind), `Scene` and `recorded` (mixes at a known signal-to-noise ratio and runs
it through the phone), `aac_round_trip`, `write_wav`.
"""

import io
import wave
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, lfilter, sosfilt

Floats = NDArray[np.float64]
NOISES = ("white", "pink", "wind", "voices", "music", "rain", "traffic", "birds", "hum")


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """How the sound reaches the file."""

    noise: str = "pink"  # one of NOISES
    snr_db: float = 20.0  # engine over noise, power, behind the microphone, while it runs
    roll_off_hz: float = 60.0  # the phone's microphone lets less through below
    roll_off_order: int = 1
    automatic_gain: bool = False
    overdrive: float = 1.0  # above 1 the peaks are cut
    aac_bit_rate: int | None = 64000  # None: not compressed


def recorded(sound: Floats, scene: Scene, *, rate_hz: int, seed: int) -> Floats:
    """`sound` as the phone's file holds it, within -1 to 1."""
    rng = np.random.default_rng(seed)
    filter_ = butter(scene.roll_off_order, scene.roll_off_hz, "high", fs=rate_hz, output="sos")
    heard = sosfilt(filter_, sound)
    other = sosfilt(filter_, noise(scene.noise, len(sound), rate_hz, rng))
    # the loud half of the clip is the running engine
    frames = heard[: len(heard) // 2048 * 2048].reshape(-1, 2048).std(axis=1)
    loud = float(np.median(frames[frames > 0.3 * frames.max()])) if len(frames) else 1.0
    mixed = heard + other * loud / (other.std() + 1e-12) * 10 ** (-scene.snr_db / 20)
    mixed = mixed + 1e-3 * loud * rng.normal(size=len(sound))  # the microphone's own noise
    if scene.automatic_gain:
        mixed = _automatic_gain(mixed, rate_hz)
    mixed = 0.7 * scene.overdrive * mixed / (np.quantile(np.abs(mixed), 0.9995) + 1e-12)
    mixed = np.clip(mixed, -1.0, 1.0)
    if scene.aac_bit_rate is not None:
        mixed = aac_round_trip(mixed, rate_hz=rate_hz, bit_rate=scene.aac_bit_rate)
    return np.asarray(mixed, dtype=np.float64)


def _automatic_gain(x: Floats, rate_hz: int) -> Floats:
    """Quick to turn down, slow to turn up, as phones do; gain within a factor of 8."""
    step = rate_hz // 100
    level = np.sqrt(np.add.reduceat(x**2, np.arange(0, len(x), step)) / step) + 1e-9
    follow, now = np.empty(len(level)), level[0]
    for i, value in enumerate(level):
        now += (value - now) * (0.3 if value > now else 0.01)
        follow[i] = now
    gain = (follow / follow.max()) ** -0.7
    at = (np.arange(len(level)) + 0.5) * step
    curve = np.interp(np.arange(len(x)), at, np.minimum(gain, 8.0))
    return np.asarray(x * curve, dtype=np.float64)


def noise(kind: str, n: int, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Noise of a kind of `NOISES`, not scaled.

    Raises
    ------
    ValueError
        If the kind is not known.
    """
    makers = {
        "white": lambda: rng.normal(size=n),
        "pink": lambda: _sloped(n, rate_hz, 0.5, rng),
        "wind": lambda: _sloped(n, rate_hz, 1.3, rng) * _gusts(n, rate_hz, rng),
        "voices": lambda: _voices(n, rate_hz, rng),
        "music": lambda: _music(n, rate_hz, rng),
        "rain": lambda: _rain(n, rate_hz, rng),
        "traffic": lambda: _sloped(n, rate_hz, 0.8, rng) * (0.3 + _gusts(n, rate_hz, rng, 3.0)),
        "birds": lambda: _birds(n, rate_hz, rng),
        "hum": lambda: _hum(n, rate_hz, rng),
    }
    if kind not in makers:
        msg = f"noise must be one of {NOISES} (got {kind!r})"
        raise ValueError(msg)
    return np.asarray(makers[kind](), dtype=np.float64)


def _sloped(n: int, rate_hz: int, power: float, rng: np.random.Generator) -> Floats:
    """Noise whose amplitude falls as frequency to the minus `power`, flat below 10 1/s."""
    f = np.fft.rfftfreq(n, 1 / rate_hz)
    spectrum = rng.normal(size=len(f)) + 1j * rng.normal(size=len(f))
    return np.fft.irfft(spectrum / np.maximum(f, 10.0) ** power, n)


def _gusts(n: int, rate_hz: int, rng: np.random.Generator, seconds: float = 1.0) -> Floats:
    knots = max(3, int(n / rate_hz / seconds) + 2)
    return np.interp(np.arange(n), np.linspace(0, n, knots), rng.uniform(0.1, 1.0, knots) ** 1.5)


def _voices(n: int, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Syllables: a buzz of gliding pitch through three moving resonances, with pauses."""
    out = np.zeros(n)
    at = 0
    base = rng.uniform(95, 230)
    while at < n:
        for _ in range(rng.integers(4, 14)):  # one breath
            m = int(rng.uniform(0.12, 0.32) * rate_hz)
            t = np.arange(m) / rate_hz
            pitch = base * (1 + rng.normal(0, 0.08)) * (1 + rng.uniform(-0.5, 0.3) * t)
            buzz = 2 * (np.cumsum(pitch) / rate_hz % 1.0) - 1
            buzz = buzz + 0.15 * rng.normal(size=m)
            y = np.zeros(m)
            for f in (rng.uniform(300, 800), rng.uniform(900, 2200), rng.uniform(2300, 3000)):
                w, r = 2 * np.pi * f / rate_hz, np.exp(-np.pi * 90.0 / rate_hz)
                y += lfilter([1 - r], [1, -2 * r * np.cos(w), r * r], buzz)
            y *= np.sin(np.pi * np.arange(m) / m) ** 0.5 * rng.uniform(0.4, 1.0)
            end = min(n, at + m)
            out[at:end] += y[: end - at]
            at = end + int(rng.uniform(0.0, 0.06) * rate_hz)
            if at >= n:
                return out
        at += int(rng.uniform(0.2, 0.9) * rate_hz)
    return out


def _music(n: int, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Chords with a bass line and a drum on the beat."""
    out = np.zeros(n)
    beat = 60.0 / rng.uniform(80, 150)
    root = 55.0 * 2 ** (rng.integers(0, 12) / 12)
    for i in range(int(n / rate_hz / beat) + 1):
        begin = int(i * beat * rate_hz)
        m = min(int(beat * rate_hz), n - begin)
        if m <= 0:
            break
        t = np.arange(m) / rate_hz
        step = rng.choice([0, 3, 5, 7, 8])
        notes = [(1, 1.0)] + [(2 * 2 ** (k / 12), 0.5) for k in (0, 4, 7)]
        for ratio, loud in notes:
            f = root * 2 ** (step / 12) * ratio
            for h in (1, 2, 3, 4):
                out[begin : begin + m] += (
                    loud / h * np.sin(2 * np.pi * f * h * t) * np.exp(-t / 0.5)
                )
        drum = np.exp(-t / 0.04) * np.sin(2 * np.pi * 70 * t) * 2.0
        stick = np.exp(-t / 0.02) * rng.normal(size=m) * (0.8 if i % 2 else 0.2)
        out[begin : begin + m] += drum + stick
    return out


def _rain(n: int, rate_hz: int, rng: np.random.Generator) -> Floats:
    drops = (rng.uniform(size=n) < 400 / rate_hz) * rng.exponential(1.0, n)
    rung = lfilter([1.0], [1, -0.9], drops * rng.choice([-1, 1], n))
    return np.asarray(rung + 0.05 * rng.normal(size=n), dtype=np.float64)


def _birds(n: int, rate_hz: int, rng: np.random.Generator) -> Floats:
    t = np.arange(n) / rate_hz
    out = 0.02 * rng.normal(size=n)
    for _ in range(int(n / rate_hz * 3) + 1):
        at, f = rng.uniform(0, n / rate_hz), rng.uniform(2000, 6000)
        hull = np.exp(-(((t - at) / 0.04) ** 2))
        out += hull * np.sin(2 * np.pi * f * t + 8 * np.sin(2 * np.pi * 25 * t))
    return out


def _hum(n: int, rate_hz: int, rng: np.random.Generator) -> Floats:
    """Mains hum of a lamp or charger: 50 1/s and its multiples, steady."""
    t = np.arange(n) / rate_hz
    out = 0.1 * rng.normal(size=n)
    for h in range(1, 9):
        out += rng.uniform(0.2, 1.0) / h * np.sin(2 * np.pi * 50 * h * t + rng.uniform(0, 6))
    return out


def aac_round_trip(x: Floats, *, rate_hz: int, bit_rate: int = 64000) -> Floats:
    """`x` after AAC, of the same length and in step with it."""
    box = io.BytesIO()
    with av.open(box, "w", format="mp4") as out:
        stream = out.add_stream("aac", rate=rate_hz, layout="mono")
        stream.bit_rate = bit_rate
        samples = np.ascontiguousarray(x[np.newaxis], dtype=np.float32)
        frame = av.AudioFrame.from_ndarray(samples, format="fltp", layout="mono")
        frame.sample_rate = rate_hz
        frame.pts = 0
        out.mux([*stream.encode(frame), *stream.encode(None)])
    box.seek(0)
    with av.open(box, "r") as back:
        parts = [f.to_ndarray()[0] for f in back.decode(audio=0)]
    y = np.concatenate(parts)[: len(x)]
    return np.pad(y, (0, len(x) - len(y))).astype(np.float64)


def write_wav(path: Path, x: Floats, *, rate_hz: int) -> None:
    """16-bit mono file."""
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate_hz)
        out.writeframes((np.clip(x, -1, 1) * 32767).astype("<i2").tobytes())
