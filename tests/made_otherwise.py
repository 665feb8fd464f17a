"""Engines made in another manner than `smokecase.demo.engine_note`, to see what carries over.

Nothing is shared with it, nor with what listens: firings are band-limited pulses at any time
between samples, the exhaust is a pipe that reflects at its open end (a delay line), the place
answers with an echo, the starter is a motor whose speed sags under each compression, and the
phone has another automatic gain and other coders, down to the 8000 1/s of a call.
"""

import io
from dataclasses import dataclass, field

import av
import numpy as np
from scipy.signal import butter, fftconvolve, firwin, lfilter, resample_poly, sosfilt

RATE_HZ = 16000
# coder, its sampling rate, its bits a second
CODERS = (
    (None, 16000, 0), ("aac", 16000, 24000), ("aac", 8000, 16000), ("libopus", 16000, 16000),
    ("libopencore_amrnb", 8000, 12200), ("pcm_mulaw", 8000, 64000), ("libmp3lame", 16000, 32000),
)  # fmt: skip
NOISES = ("hiss", "gale", "babble", "band", "road", "drone")


@dataclass(frozen=True, kw_only=True)
class Otherwise:
    """One engine and what is true of it."""

    sound: np.ndarray  # at RATE_HZ, before the phone; the running engine has deviation 1
    cylinders: int
    strokes: int
    crank_s: float | None
    runs_s: float | None
    idle_per_min: float
    weak: dict[int, float] = field(default_factory=dict)


def otherwise(
    seed: int, *, cylinders: int, strokes: int = 4, weak: bool = False, started: bool = False,
    seconds: float | None = None,
) -> Otherwise:  # fmt: skip
    """A start and an idle (or an idle alone), everything else drawn by `seed`."""
    rng = np.random.default_rng([seed, cylinders, 77])
    seconds = seconds or float(rng.uniform(8, 16))
    idle = float(rng.uniform(580, 1000) if cylinders > 2 else rng.uniform(800, 1400))
    crank_s = 0.0 if started else float(rng.uniform(1.0, 3.5))
    runs_s = 0.0 if started else crank_s + float(rng.uniform(0.5, 2.8))
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    crank_per_min = float(rng.uniform(140, 280))
    speed = _speed(t, crank_s, runs_s, crank_per_min, idle, rng, started=started)
    turns = np.cumsum(speed / 60.0) / RATE_HZ
    cycles = turns / (strokes / 2) + rng.uniform()

    left = {int(rng.integers(cylinders)): float(rng.uniform(0.0, 0.45))} if weak else {}
    own = 1.0 + rng.uniform(0.005, 0.04) * rng.normal(size=cylinders)
    for which, part in left.items():
        own[which] *= part
    number = np.arange(np.ceil(cycles[0] * cylinders), np.floor(cycles[-1] * cylinders))
    when = np.interp(number / cylinders, cycles, t)
    strength = own[number.astype(int) % cylinders] * rng.gamma(
        *(lambda k: (k, 1 / k))(rng.uniform(60, 900)), size=len(number)
    )
    running = when >= runs_s
    early = ~running & (when > runs_s - float(rng.uniform(0.0, 0.4)))
    strength = np.where(running, strength, np.where(early, 0.4 * strength, 0.0))

    gas = _pulses(when, strength, len(t), rng)
    pipe = _pipe(gas, rng)
    hull = lfilter([0.02], [1, -0.98], np.abs(gas))
    jet = hull ** float(rng.uniform(0.8, 1.6)) * _shaped(len(t), 600, 5000, rng)
    sound = pipe / pipe[t > runs_s].std()
    sound = sound + rng.uniform(0.05, 0.5) * jet / jet[t > runs_s].std()
    ticks = _ticks(when, strength > 0, len(t), rng)
    sound = sound + rng.uniform(0.0, 0.4) * ticks
    belt = np.sin(2 * np.pi * rng.uniform(11.3, 43.7) * turns) * np.clip(speed / idle, 0, 1)
    sound = sound + rng.uniform(0.0, 0.15) * belt
    if not started:
        loud = float(np.exp(rng.uniform(np.log(0.2), np.log(0.8))))
        on = (t >= crank_s) & (t < runs_s + rng.uniform(-0.03, 0.12))
        sound = sound + loud * _starter(on, cycles * cylinders, rng)
    sound = _echo(sound, rng)
    steady = t > runs_s + 2.5
    return Otherwise(
        sound=sound / sound[t > runs_s + 1].std(), cylinders=cylinders, strokes=strokes,
        crank_s=None if started else crank_s, runs_s=None if started else runs_s,
        idle_per_min=float(speed[steady].mean()), weak=left,
    )  # fmt: skip


def _speed(t, crank_s, runs_s, crank_per_min, idle, rng, *, started):
    slow = _slow(t, 0.7, rng)
    steady = idle * (1 + rng.uniform(0.001, 0.008) * slow)
    if started:
        return steady
    # a damped swing of second order up to the idle
    since = np.clip(t - runs_s, 0, None)
    rate, damping = rng.uniform(3.0, 7.0), rng.uniform(0.55, 1.0)
    swing = np.exp(-damping * rate * since) * np.cos(
        rate * np.sqrt(max(1e-3, 1 - damping**2)) * since
    )
    up = steady + (1.3 * crank_per_min - idle) * swing
    cranking = crank_per_min * (1 - np.exp(-np.clip(t - crank_s, 0, None) / 0.06))
    return np.where(t < runs_s, cranking, np.maximum(up, 0.8 * crank_per_min))


def _slow(t, every_s, rng):
    """Straight lines between points of deviation 1."""
    points = np.arange(0.0, t[-1] + 2 * every_s, every_s)
    return np.interp(t, points, rng.normal(size=len(points)))


def _pulses(when, strength, n, rng):
    """Windowed sinc pulses, cut off below half the rate, shaped by a blow-down of its own."""
    reach = 24
    out = np.zeros(n + 2 * reach)
    at = when * RATE_HZ
    k = np.arange(-reach, reach)
    for place, height in zip(at[strength > 0], strength[strength > 0], strict=True):
        whole = int(place)
        x = k - (place - whole)
        if whole + 2 * reach < len(out):
            out[whole : whole + 2 * reach] += (
                height * 0.8 * np.sinc(0.8 * x) * np.hanning(2 * reach)
            )
    t = np.arange(round(0.04 * RATE_HZ)) / RATE_HZ
    width = rng.uniform(0.001, 0.004)
    # a raised cosine blow, then a slower return below zero
    blow = np.where(t < 2 * width, 1 - np.cos(np.pi * t / width), 0.0)
    back = t / 0.008 * np.exp(-t / 0.008)
    shape = blow - back * blow.sum() / back.sum()
    return fftconvolve(out[reach : reach + n], shape)[:n]


def _pipe(x, rng):
    """Open end: most of the wave comes back upside down after twice the pipe's length."""
    out = x
    for metres in (rng.uniform(0.4, 1.2), rng.uniform(1.5, 3.5)):
        delay = round(2 * metres / 420.0 * RATE_HZ)
        back = rng.uniform(0.3, 0.75)
        feedback = np.zeros(delay + 2)
        feedback[0] = 1.0
        feedback[delay], feedback[delay + 1] = back * 0.6, back * 0.4  # high notes come back less
        out = lfilter([1.0], feedback, out)
    muffler = firwin(161, rng.uniform(400, 1500), fs=RATE_HZ)
    return rng.uniform(0.05, 0.3) * out + fftconvolve(out, muffler, "same")


def _shaped(n, low, high, rng):
    sos = butter(2, (low, high), "band", fs=RATE_HZ, output="sos")
    return sosfilt(sos, rng.normal(size=n))


def _ticks(when, on, n, rng):
    out = np.zeros(n)
    offset = rng.uniform(0, 0.01)
    at = np.round((when[on] + offset) * RATE_HZ).astype(int)
    at = at[(at > 0) & (at < n)]
    np.add.at(out, at, rng.uniform(0.5, 1.0, len(at)))
    t = np.arange(round(0.012 * RATE_HZ)) / RATE_HZ
    ring = np.sin(2 * np.pi * rng.uniform(1200, 3300) * t) * np.exp(-t / 0.0018)
    out = fftconvolve(out, ring)[:n]
    return out / (out.std() + 1e-9)


def _starter(on, compressions, rng):
    """A motor that sags under each compression: brush noise, gear notes, thuds; and its click."""
    sag = 1 - rng.uniform(0.05, 0.3) * (0.5 + 0.5 * np.sin(2 * np.pi * compressions)) ** 2
    spin = lfilter([0.002], [1, -0.998], on.astype(float)) * sag
    base = rng.uniform(180, 700)
    phase = 2 * np.pi * np.cumsum(base * spin) / RATE_HZ
    note = sum(rng.uniform(0.2, 1.0) * np.cos(h * phase + rng.uniform(0, 6)) for h in (1, 2, 3, 5))
    brush = _shaped(len(on), 300, 6000, rng) * rng.uniform(0.3, 1.5)
    thud = _shaped(len(on), 40, 200, rng) * (0.5 + 0.5 * np.sin(2 * np.pi * compressions)) ** 4
    whole = (note + brush) * spin + 3 * rng.uniform(0, 1) * thud * on
    whole = whole / (whole[on].std() + 1e-9)
    first = int(np.flatnonzero(on)[0])
    click = rng.normal(size=200) * np.exp(-np.arange(200) / 50)
    whole[first : first + 200] += rng.uniform(0, 3) * click
    return whole


def _echo(x, rng):
    """Ground and wall, then a tail of noise that dies away."""
    t = np.arange(round(0.5 * RATE_HZ)) / RATE_HZ
    tail = rng.normal(size=len(t)) * 10 ** (-3 * t / rng.uniform(0.15, 0.7))
    tail *= rng.uniform(0.0, 0.5) / np.sqrt((tail**2).sum())
    tail[: round(0.004 * RATE_HZ)] = 0
    tail[0] = 1.0
    for _ in range(3):
        tail[int(rng.uniform(0.002, 0.03) * RATE_HZ)] += rng.uniform(-0.6, 0.6)
    return fftconvolve(x, tail)[: len(x)]


def noise(kind, n, rng):
    """Noise of one of `NOISES`, deviation 1."""
    t = np.arange(n) / RATE_HZ
    if kind == "hiss":
        y = rng.normal(size=n)
    elif kind == "gale":
        rough = sosfilt(butter(1, 60, fs=RATE_HZ, output="sos"), rng.normal(size=n))
        gust = np.abs(sosfilt(butter(2, 0.6, fs=RATE_HZ, output="sos"), rng.normal(size=n)))
        y = rough * (0.2 + gust / gust.mean())
    elif kind == "babble":
        y = sum(_talker(t, rng) for _ in range(int(rng.integers(1, 4))))
    elif kind == "band":
        y = _band(t, rng)
    elif kind == "road":
        y = np.zeros(n)
        for _ in range(int(t[-1] / 4) + 1):
            hull = np.exp(-(((t - rng.uniform(0, t[-1])) / rng.uniform(0.8, 2.5)) ** 2))
            y += hull * _shaped(n, 80, rng.uniform(600, 1500), rng)
        y += 0.1 * y.std() * rng.normal(size=n)
    elif kind == "drone":  # a fan: blades at an even pace, and rush
        pace = rng.uniform(70, 180) * (1 + 0.001 * np.sin(2 * np.pi * 0.1 * t))
        blades = np.cumsum(pace) / RATE_HZ
        y = np.sin(2 * np.pi * blades) + 0.4 * np.sin(4 * np.pi * blades + 1)
        y += _shaped(n, 100, 3000, rng) * 3
    else:
        raise ValueError(kind)
    return y / y.std()


def _talker(t, rng):
    """Vowels of a pulse train through resonances, with consonants of noise between."""
    n = len(t)
    pitch = rng.uniform(90, 220) * np.exp(0.18 * _slow(t, 0.35, rng))
    glottis = np.diff(np.floor(np.cumsum(pitch) / RATE_HZ), prepend=0.0)
    glottis = lfilter([1], [1, -0.9], glottis)
    out = np.zeros(n)
    at = 0
    while at < n:
        m = int(rng.uniform(0.08, 0.25) * RATE_HZ)
        piece = slice(at, min(n, at + m))
        if rng.uniform() < 0.2:
            at += int(rng.uniform(0.1, 0.8) * RATE_HZ)
            continue
        source = glottis[piece] if rng.uniform() < 0.75 else 0.1 * rng.normal(
            size=piece.stop - piece.start
        )  # fmt: skip
        for f in (rng.uniform(250, 850), rng.uniform(900, 2400), rng.uniform(2400, 3300)):
            w, r = 2 * np.pi * f / RATE_HZ, 0.965
            source = lfilter([1 - r], [1, -2 * r * np.cos(w), r * r], source)
        hull = np.hanning(piece.stop - piece.start)
        out[piece] = source * hull * rng.uniform(0.4, 1.0)
        at += m
    return out / (out.std() + 1e-12)


def _band(t, rng):
    """A drum machine with sixteenths, a bass of one note a bar, held chords of saw teeth."""
    tempo = rng.uniform(70, 150) / 60.0
    step = np.floor(t * tempo * 4).astype(int)
    within = (t * tempo * 4 - step) / (tempo * 4)
    kick = (step % 4 == 0) * np.sin(2 * np.pi * 55 * within) * np.exp(-within / 0.05) * 2
    hat = np.exp(-within / 0.015) * rng.normal(size=len(t)) * np.where(step % 2, 0.4, 0.8)
    bar = step // 16
    roots = 48.0 * 2 ** (rng.integers(0, 12, bar.max() + 1) / 12.0)
    phase = np.cumsum(roots[bar]) / RATE_HZ
    bass = 2 * (phase % 1) - 1
    chord = sum(2 * ((phase * 4 * 2 ** (k / 12)) % 1) - 1 for k in (0, 4, 7))
    return kick + hat + rng.uniform(0.2, 1) * bass + rng.uniform(0.1, 0.6) * chord


def through_a_phone(
    sound: np.ndarray, seed: int, *, snr_db: float, kind: str, coder: int | None = None
) -> tuple[np.ndarray, int]:
    """Noise, microphone, automatic gain, coder; samples and their rate."""
    rng = np.random.default_rng([seed, 99])
    low = rng.uniform(40, 200)
    sos = butter(int(rng.integers(1, 3)), low, "high", fs=RATE_HZ, output="sos")
    heard, other = sosfilt(sos, sound), sosfilt(sos, noise(kind, len(sound), rng))
    late = slice(len(heard) // 2, None)
    loud = heard[late].std() or 1.0
    mixed = heard + other * loud / other.std() * 10 ** (-snr_db / 20)
    mixed = mixed + 3e-3 * loud * rng.normal(size=len(mixed))
    if rng.uniform() < 0.5:
        mixed = _gain(mixed, rng)
    mixed = rng.uniform(0.2, 0.9) * mixed / np.abs(mixed).max()
    if rng.uniform() < 0.15:
        mixed = np.tanh(2.5 * mixed)
    name, rate, bits = CODERS[int(rng.integers(len(CODERS))) if coder is None else coder]
    if rate != RATE_HZ:
        mixed = resample_poly(mixed, rate, RATE_HZ)
    if name is None:
        return mixed, rate
    return _coded(mixed, name, rate, bits), rate


def _gain(x, rng):
    """Logarithmic: the level falls and rises a given number of decibels a second."""
    hop = RATE_HZ // 50
    level = 10 * np.log10(np.add.reduceat(x**2, np.arange(0, len(x), hop)) / hop + 1e-9)
    goal, now, out = np.quantile(level, 0.8), 0.0, []
    up, down = rng.uniform(3, 15) / 50, rng.uniform(40, 200) / 50
    for value in level:
        want = np.clip(goal - value, -6, 18) * 0.8
        now += np.clip(want - now, -down, up)
        out.append(now)
    return x * 10 ** (np.interp(np.arange(len(x)), (np.arange(len(out)) + 0.5) * hop, out) / 20)


def _coded(x, name, rate, bits):
    box = io.BytesIO()
    with av.open(
        box, "w", format={"pcm_mulaw": "wav", "libopencore_amrnb": "3gp"}.get(name, "matroska")
    ) as out:
        stream = out.add_stream(name, rate=48000 if name == "libopus" else rate, layout="mono")
        if bits < 64000:
            stream.bit_rate = bits
        form = stream.format.name
        to = av.AudioResampler(format=form, layout="mono", rate=stream.rate)
        frame = av.AudioFrame.from_ndarray(
            np.ascontiguousarray(x[np.newaxis], dtype=np.float32), format="fltp", layout="mono"
        )
        frame.sample_rate = rate
        frame.pts = 0
        fifo = av.AudioFifo()
        size = stream.codec_context.frame_size or 1024
        for small in [*to.resample(frame), *to.resample(None)]:
            small.pts = None
            fifo.write(small)
        while (part := fifo.read(size, partial=True)) is not None:
            out.mux(stream.encode(part))
        out.mux(stream.encode(None))
    box.seek(0)
    with av.open(box, "r") as back:
        to = av.AudioResampler(format="fltp", layout="mono", rate=rate)
        parts = [s.to_ndarray()[0] for f in back.decode(audio=0) for s in to.resample(f)]
    return np.concatenate(parts).astype(np.float64)
