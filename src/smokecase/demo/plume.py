"""A turbulent plume as thousands of drifting puffs, laid down as an optical depth per pixel.

Each puff leaves the mouth with the jet, slows as a free jet does (speed falls as one over the
distance), is stirred by divergence-free eddies that grow with the plume, carried by wind and
lift, and spreads. Fog puffs appear and evaporate by the way they have gone. Nothing here knows
of light: the outcome is the green optical depth of each part of the smoke.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

EDDY_TILE = 128
LEVELS = 6  # puff sizes, each twice the one before


@dataclass(frozen=True, slots=True, kw_only=True)
class Jet:
    """How smoke leaves and moves; lengths in pipe diameters, times in seconds."""

    exit_px: tuple[float, float]  # in pixels of the canvas
    diameter_px: float
    direction_deg: float
    speed: float  # at idle, as seen [diameters/s]
    foreshortening: float  # share of the jet's length that is seen, 1 from the side
    spread: float  # half-width gained per length
    wind: tuple[float, float]  # [diameters/s]
    gusts: float  # rms, share of the wind and a little more [diameters/s]
    lift: float  # upward speed reached by hot gas [diameters/s]
    turbulence: float  # rms eddy speed over local jet speed
    growth: float  # of a puff's size per length gone
    lumps: float  # how unevenly smoke leaves the mouth, rms of the logarithm
    life_s: float  # until a puff has thinned to nothing
    detaches: float | None  # fog appears at this distance
    evaporates: float | None  # and ends at this


def draw_jet(
    rng: np.random.Generator,
    exit_px: tuple[float, float],
    diameter_px: float,
    direction_deg: float,
    foreshortening: float,
) -> Jet:
    """Draw a jet with weather, over wide ranges."""
    wind_speed = float(rng.gamma(1.5, 2.0))
    angle = rng.uniform(0, 2 * np.pi)
    wind = (wind_speed * float(np.cos(angle)), 0.25 * wind_speed * float(np.sin(angle)))
    return Jet(
        exit_px=exit_px,
        diameter_px=diameter_px,
        direction_deg=direction_deg,
        speed=float(np.exp(rng.uniform(np.log(7), np.log(34)))) * foreshortening,
        foreshortening=foreshortening,
        spread=float(rng.uniform(0.09, 0.19)) / foreshortening,
        wind=wind,
        gusts=float(rng.uniform(0.3, 1.2) + 0.3 * wind_speed),
        lift=float(rng.uniform(0.0, 3.5)),
        turbulence=float(rng.uniform(0.22, 0.5)),
        growth=float(rng.uniform(0.022, 0.05)),
        lumps=float(rng.uniform(0.3, 1.0)),
        life_s=float(rng.uniform(1.6, 4.5)),
        detaches=None,
        evaporates=None,
    )


class Plume:
    """The puffs in the air; `step` moves them on, `optical_depth` lays them down.

    Parameters
    ----------
    rng : Generator
    jet : Jet
    shape : (int, int)
        Rows and columns of the canvas, in its own pixels.
    fog : sequence of bool
        For each part of the smoke, whether it appears and evaporates as fog does.
    """

    def __init__(
        self, rng: np.random.Generator, jet: Jet, shape: tuple[int, int], fog: tuple[bool, ...]
    ) -> None:
        self.rng, self.jet, self.fog = rng, jet, fog
        self.shape = (-(-shape[0] // 2), -(-shape[1] // 2))  # laid down at half size
        self.d = jet.diameter_px / 2
        a = np.deg2rad(jet.direction_deg)
        self.along = np.array([np.cos(a), np.sin(a)])
        self.across = np.array([-self.along[1], self.along[0]])
        # centre of a canvas pixel x lies at x / 2 - 0.25 on the half-size grid
        self.exit = np.array(jet.exit_px) / 2 - 0.25
        self.rate = float(np.clip(110 * jet.speed, 900, 3200))
        parts = len(fog)
        self.position = np.zeros((0, 2))
        self.offset = np.zeros(0)  # place across the mouth, -1 to 1
        self.way = np.zeros(0)  # gone so far
        self.age = np.zeros(0)
        self.tremble = np.zeros((0, 2))
        self.start_size = np.zeros(0)
        self.taste = np.zeros(0)  # this puff's own factor on where fog begins and ends
        self.mass = np.zeros((0, parts))
        self.eddies = [_eddies(rng) for _ in range(3)]
        pattern = np.exp(jet.lumps * _pattern(rng))
        self.lumps = pattern / pattern.mean()
        self.wind = np.array(jet.wind, dtype=np.float64) * self.d
        self.gust = np.zeros(2)
        self.time = 0.0

    def step(self, dt: float, speed_share: float, tau: Floats) -> None:
        """Move on by `dt` seconds and let new smoke out.

        `speed_share` is the jet's speed over that at idle, `tau` (parts,) the green optical
        depth at the mouth.
        """
        jet, d, rng = self.jet, self.d, self.rng
        u0 = jet.speed * d * max(speed_share, 1e-3)
        fresh = int(rng.poisson(self.rate * dt)) if tau.sum() > 1e-4 and speed_share > 0.02 else 0
        keep = np.exp(-dt / 1.2)
        self.gust = keep * self.gust + np.sqrt(1 - keep**2) * jet.gusts * d * (
            rng.standard_normal(2) * (1.0, 0.4)
        )
        self._move(dt, u0)
        self._emit(fresh, dt, u0, tau)  # after: it is already where it has got to by now
        self.time += dt
        x, y = self.position.T
        far = 6 * d
        alive = (self.age < jet.life_s) & (x > -far) & (y > -far)
        alive &= (x < self.shape[1] + far) & (y < self.shape[0] + far)
        if not alive.all():
            for name in (
                "position",
                "offset",
                "way",
                "age",
                "tremble",
                "start_size",
                "taste",
                "mass",
            ):
                setattr(self, name, getattr(self, name)[alive])

    def _emit(self, n: int, dt: float, u0: float, tau: Floats) -> None:
        if n == 0:
            return
        rng, d = self.rng, self.d
        # a disc seen from the side: few puffs at its rim
        offset = np.sqrt(rng.random(n)) * np.cos(2 * np.pi * rng.random(n))
        ahead = rng.random(n) * dt * u0
        start = (
            self.exit
            + (ahead + 0.12 * d)[:, None] * self.along
            + (offset * 0.42 * d)[:, None] * self.across
        )
        # tau through the middle of a round stream of flux m per second is 2 m / (pi r u)
        # lumps: a pattern over time since the mouth and place across it, carried on by the flow
        lump = self.lumps[
            (np.int64(((self.time + dt - ahead / u0) * self.jet.speed) * 10) % EDDY_TILE),
            np.int64((offset + 1) * 11),
        ]
        share = lump * rng.lognormal(-0.08, 0.4, n)
        mass = share[:, None] * tau[None, :] * (np.pi * d / 4 * u0 / self.rate)
        self.position = np.vstack([self.position, start])
        self.offset = np.append(self.offset, offset)
        self.way = np.append(self.way, ahead)
        self.age = np.append(self.age, ahead / u0)
        self.tremble = np.vstack([self.tremble, np.zeros((n, 2))])
        self.start_size = np.append(self.start_size, d * rng.uniform(0.07, 0.14, n))
        self.taste = np.append(self.taste, rng.lognormal(0, 0.25, n))
        self.mass = np.vstack([self.mass, mass])

    def _move(self, dt: float, u0: float) -> None:
        if not len(self.way):
            return
        jet, d, rng = self.jet, self.d, self.rng
        downstream = np.maximum((self.position - self.exit) @ self.along, 0.0)
        u = u0 / (1 + downstream / (6 * d * jet.foreshortening))
        still = 1 - np.exp(-self.way / (7 * d))  # the jet gives way to the air around
        width = d * 0.5 + jet.spread * self.way
        velocity = u[:, None] * (self.along + (self.offset * jet.spread)[:, None] * self.across)
        velocity *= (1 - 0.6 * still)[:, None]
        velocity += still[:, None] * (self.wind + self.gust)
        velocity[:, 1] -= jet.lift * d * still
        strength = jet.turbulence * (u + 0.5 * d) * (1 - np.exp(-self.way / (1.5 * d)))
        for k, scale in enumerate((1.2, 3.0, 7.5)):
            fit = np.exp(-(np.log(2 * width / (scale * d)) ** 2))
            drift = self.position - 0.4 * u0 * self.time / scale * self.along
            swirl = _sample(self.eddies[k], drift / (scale * d) * 24, self.time * 2.5 / scale)
            velocity += (fit * strength)[:, None] * swirl
        keep = np.exp(-dt / 0.12)
        self.tremble = keep * self.tremble + np.sqrt(1 - keep**2) * rng.standard_normal(
            self.tremble.shape
        )
        velocity += 0.5 * strength[:, None] * self.tremble
        self.position = self.position + velocity * dt
        self.way = self.way + np.hypot(*velocity.T) * dt
        self.age = self.age + dt

    def optical_depth(self) -> Picture:
        """Green optical depth of each part, shape (parts, rows, columns) at half size."""
        parts, (h, w) = len(self.fog), self.shape
        if not len(self.way):
            return np.zeros((parts, h, w), dtype=np.float32)
        size = self.start_size + self.jet.growth * self.way + 0.06 * self.d * np.sqrt(self.age)
        fade = np.clip((self.jet.life_s - self.age) / (0.45 * self.jet.life_s), 0, 1)
        mass = self.mass * (fade * fade * (3 - 2 * fade))[:, None]
        for k, foggy in enumerate(self.fog):
            if foggy:
                mass[:, k] *= self._fog_share()
        level = np.clip(np.log2(np.maximum(size, 1e-3) / 1.1), 0, LEVELS - 1.001)
        low = level.astype(np.int64)
        part = level - low
        total = np.zeros((parts, 0, 0), dtype=np.float32)
        for k in range(LEVELS - 1, -1, -1):
            rows, columns = -(-h // 2**k) + 1, -(-w // 2**k) + 1
            weight = np.where(low == k, 1 - part, np.where(low + 1 == k, part, 0.0))
            here = weight > 0
            layer = _lay(self.position[here], mass[here] * weight[here, None], k, rows, columns)
            for i in range(parts):
                layer[i] = cv2.GaussianBlur(layer[i], (0, 0), 1.1, borderType=cv2.BORDER_REPLICATE)
            if total.size:
                layer += np.stack([_double(total[i], rows, columns) for i in range(parts)])
            total = layer
        return np.ascontiguousarray(np.maximum(total[:, :h, :w], 0))

    def _fog_share(self) -> Floats:
        way = self.way / self.d * self.taste
        share = np.ones_like(way)
        if self.jet.detaches is not None:
            share *= _smooth((way - 0.6 * self.jet.detaches) / (0.8 * self.jet.detaches))
        if self.jet.evaporates is not None:
            share *= 1 - _smooth((way - 0.5 * self.jet.evaporates) / (0.7 * self.jet.evaporates))
        return share


def _smooth(x: Floats) -> Floats:
    x = np.clip(x, 0, 1)
    return x * x * (3 - 2 * x)


def _lay(position: Floats, mass: Floats, level: int, rows: int, columns: int) -> Picture:
    """Bilinear deposit on the grid of a level, as optical depth (mass over the cell's area)."""
    cell = 2.0**level
    x = np.clip((position[:, 0] + 0.5) / cell - 0.5, 0, columns - 1.001)
    y = np.clip((position[:, 1] + 0.5) / cell - 0.5, 0, rows - 1.001)
    inside = (position[:, 0] > -cell) & (position[:, 1] > -cell)
    inside &= (x < columns - 1.01) & (y < rows - 1.01)
    x, y, mass = x[inside], y[inside], mass[inside]
    i, j = x.astype(np.int64), y.astype(np.int64)
    fx, fy = x - i, y - j
    layer = np.zeros((mass.shape[1], rows * columns), dtype=np.float32)
    for dy, dx, weight in (
        (0, 0, (1 - fx) * (1 - fy)),
        (0, 1, fx * (1 - fy)),
        (1, 0, (1 - fx) * fy),
        (1, 1, fx * fy),
    ):
        index = (j + dy) * columns + i + dx
        for k in range(mass.shape[1]):
            layer[k] += np.bincount(index, weight * mass[:, k], rows * columns).astype(np.float32)
    return layer.reshape(-1, rows, columns) / np.float32(cell * cell)


def _double(coarse: Picture, rows: int, columns: int) -> Picture:
    big = cv2.resize(coarse, None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR)
    return np.asarray(big[:rows, :columns], dtype=np.float32)


def _eddies(rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Two periodic, divergence-free velocity tiles of unit rms; turning between them ages them."""
    n = EDDY_TILE
    f = np.hypot(*np.meshgrid(np.fft.fftfreq(n), np.fft.fftfreq(n), indexing="ij")) * n
    shape = np.where(f > 0, f**2 * np.exp(-((f / 7) ** 2)), 0) / np.maximum(f, 1) ** 2.2
    tiles = []
    for _ in range(2):
        stream = np.fft.ifft2(np.fft.fft2(rng.standard_normal((n, n))) * shape).real
        vy, vx = np.gradient(np.pad(np.asarray(stream), 1, mode="wrap"))
        field = np.stack([np.asarray(vy)[1:-1, 1:-1], -np.asarray(vx)[1:-1, 1:-1]], axis=-1)
        tiles.append(field / field.std())
    return tiles[0], tiles[1]


def _pattern(rng: np.random.Generator) -> Floats:
    """Draw a periodic noise tile of unit variance, lumps of a few cells and finer."""
    n = EDDY_TILE
    f = np.hypot(*np.meshgrid(np.fft.fftfreq(n), np.fft.fftfreq(n), indexing="ij")) * n
    shape = np.where(f > 2, np.maximum(f, 1) ** -1.3, 0) * np.exp(-((f / 30) ** 2))
    noise: Floats = np.fft.ifft2(np.fft.fft2(rng.standard_normal((n, n))) * shape).real
    return np.asarray(noise / noise.std(), np.float64)


def _sample(tiles: tuple[Floats, Floats], place: Floats, phase: float) -> Floats:
    """Velocity at places given in tile cells."""
    cell = np.asarray(np.floor(place), np.int64) % EDDY_TILE
    i, j = cell[:, 0], cell[:, 1]
    one, other = tiles
    turned = float(np.cos(phase)) * one[j, i] + float(np.sin(phase)) * other[j, i]
    return np.asarray(turned, np.float64)
