"""An invented yard with the printed backdrop hung behind a plume of known transmittance.

Independent of everything that measures: the sheet comes from the PDF as a printer would lay it
down (rasterised by pypdfium2), hangs wrinkled and tilted in uneven light, and is seen through a
turbulent plume by a camera with blur, noise, its own tone curve and eight bits.
"""

from dataclasses import dataclass

import cv2
import numpy as np
import pypdfium2

DPI = 100


def print_sheet(path, page=0, *, ink=0.04, paper=0.88):
    """Reflectance (h, w, 3) of a printed page; ink is never black, paper never all white."""
    raster = np.asarray(
        pypdfium2.PdfDocument(path)[page].render(scale=DPI / 72).to_pil().convert("RGB")
    )
    share = decode(raster / 255.0)
    return (ink + (paper - ink) * share).astype(np.float32)


def decode(v):
    """Linear light of an sRGB value. Source: IEC 61966-2-1."""
    v = np.asarray(v, np.float64)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def encode(light):
    """Undo `decode`."""
    x = np.clip(light, 0, 1)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055)


def smooth_noise(rng, shape, size):
    """Gaussian random field of unit variance, its blobs about `size` pixels wide."""
    small = rng.normal(size=(int(shape[0] / size) + 4, int(shape[1] / size) + 4))
    field = cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return (field - field.mean()) / field.std()


@dataclass
class Yard:
    """One view: light without smoke, and where the sheet lies."""

    plate: np.ndarray  # (h, w, 3) light
    homography: np.ndarray  # sheet mm to picture px, wrinkles left out
    exit_px: tuple
    diameter_px: float
    rng: np.random.Generator
    blur_px: float
    shot: float
    s_curve: float

    def plume(self, peak, *, slope=1.0, veil=0.05, length=4.0):
        """Transmittance (h, w, 3) and veil (3,) of a turbulent plume leaving to the right."""
        h, w = self.plate.shape[:2]
        y, x = np.mgrid[0:h, 0:w].astype(np.float64)
        away = (x - self.exit_px[0]) / self.diameter_px
        wander = 0.12 * away * smooth_noise(self.rng, (h, w), 1.5 * self.diameter_px)
        across = (y - self.exit_px[1]) / self.diameter_px - wander
        half = 0.42 + 0.16 * np.maximum(away, 0)
        puffs = np.exp(0.25 * smooth_noise(self.rng, (h, w), 0.6 * self.diameter_px))
        depth = np.exp(-0.5 * (across / (0.6 * half)) ** 2) * puffs
        depth *= np.clip(away / 0.05 + 0.5, 0, 1) * np.exp(-np.maximum(away, 0) / length)
        near = (away > 0.4) & (away < 1.5) & (np.abs(across) < 0.15)
        depth *= -np.log(1 - peak) / depth[near].mean()
        tau = depth[..., None] * (np.array([0.61, 0.545, 0.46]) / 0.545) ** -slope
        return np.exp(-tau), np.broadcast_to(veil, 3) * np.array([0.97, 1.0, 1.05])

    def expose(self, transmittance=1.0, veil=0.0, *, gain=1.0):
        """Eight-bit picture through a plume."""
        light = (self.plate * transmittance + veil * (1 - transmittance)) * gain
        light = cv2.GaussianBlur(light, (0, 0), self.blur_px)
        light = light + self.rng.normal(size=light.shape) * np.sqrt(
            self.shot * np.maximum(light, 0) + 0.0015**2
        )
        value = encode(light)
        value = (1 - self.s_curve) * value + self.s_curve * value**2 * (3 - 2 * value)
        return np.round(255 * value).astype(np.uint8)


def hang(reflectance, rng, *, tilt_deg=8.0, wrinkle_mm=0.6, shade=0.25, size=(720, 1280), **camera):
    """Hang a printed sheet before a wall and look at it from about two metres."""
    h, w = size
    mm_h, mm_w = (n * 25.4 / DPI for n in reflectance.shape[:2])
    # pinhole: 65 degrees wide, sheet about 2 m away, turned about all three axes
    focal = w / 2 / np.tan(np.radians(32.5))
    turn = cv2.Rodrigues(np.radians(rng.uniform(-tilt_deg, tilt_deg, 3)))[0]
    distance = rng.uniform(1.5, 2.1) * 1000 * mm_w / 297
    centre = np.array([rng.uniform(-150, 150), rng.uniform(-80, 80), distance])
    to_world = np.column_stack(
        [turn[:, 0], turn[:, 1], centre - turn[:, :2] @ [mm_w / 2, mm_h / 2]]
    )
    lens = np.array([[focal, 0, w / 2], [0, focal, h / 2], [0, 0, 1]])
    homography = lens @ to_world
    homography /= homography[2, 2]

    fine = 2  # samples per pixel and axis
    y, x = (np.mgrid[0 : h * fine, 0 : w * fine] + 0.5) / fine - 0.5
    back = np.linalg.inv(homography) @ np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
    mm = (back[:2] / back[2]).reshape(2, h * fine, w * fine)
    pixel_mm = 1000 * distance / 1000 / focal
    crease = smooth_noise(rng, (h * fine, w * fine), fine * 45 / pixel_mm)
    mm = mm + wrinkle_mm * np.stack([crease, np.roll(crease, 37, axis=1)])
    at = (mm * DPI / 25.4 - 0.5).astype(np.float32)
    seen = cv2.remap(reflectance, at[0], at[1], cv2.INTER_LINEAR, borderValue=(-1, -1, -1))
    wall = 0.28 + 0.05 * smooth_noise(rng, (h * fine, w * fine), fine * 6)
    wall = np.clip(wall, 0.05, 0.6)[..., None] * np.array([1.0, 0.95, 0.85])
    scene = np.where(seen[..., :1] < 0, wall, seen)
    slope = np.gradient(crease, axis=1) * fine * 45 / pixel_mm
    light = (1 + shade * (x / w - 0.5) + 0.5 * shade * (y / h - 0.5)) * (1 + 0.03 * slope)
    scene = scene * light[..., None] * np.array([0.97, 1.0, 1.04]) * camera.pop("exposure", 0.8)
    plate = cv2.resize(scene, (w, h), interpolation=cv2.INTER_AREA)

    middle = homography @ [mm_w * rng.uniform(0.12, 0.3), mm_h * 0.47, 1]
    middle = middle[:2] / middle[2]
    diameter = rng.uniform(45, 70) / pixel_mm
    left = int(middle[0])
    half = int(diameter / 2)
    plate[int(middle[1]) - half : int(middle[1]) + half, max(0, left - 4 * half) : left] = 0.07
    return Yard(
        plate=plate,
        homography=homography,
        exit_px=(float(middle[0]), float(middle[1])),
        diameter_px=float(diameter),
        rng=rng,
        blur_px=camera.pop("blur_px", 0.7),
        shot=camera.pop("shot", 1.5e-4),
        s_curve=camera.pop("s_curve", 0.0),
    )
