"""An invented phone: exposure, white balance, noise, tone curve, sharpening.

The curves are the renderer's own; the measuring rooms must not know them.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

# family: what marks it
FAMILIES = {
    "plain": "sRGB curve with a little shoulder, good light",
    "vivid": "S curve, saturated, sharpened",
    "local": "tone mapping that follows the neighbourhood",
    "budget": "strong noise reduction and halos, few bits",
    "filmic": "long shoulder and lifted blacks",
    "video709": "BT.709 camera curve, tagged so",
    "hlg": "10-bit HLG with BT.2020 colours, HEVC",
    "jumpy": "fast automatic exposure and white balance, variable frame rate",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Phone:
    """Settings of one phone."""

    family: str
    stops: float  # exposure over the meter's wish
    ae: float  # share of a brightness change that is made up for
    ae_tau: float  # [s]
    awb: float
    awb_tau: float
    wb_error: tuple[float, float, float]
    metering: float  # 0 whole picture, 1 its middle
    vignette: float  # loss in the corners
    stray: float  # share of the mean picture that lies over all as glare
    shot: float  # noise variance per linear value at gain 1
    read: float
    denoise: float  # share of a small blur, luma
    denoise_chroma: float
    denoise_time: float  # share of the frame before, where the two are alike
    saturation: float
    shoulder: float
    s_curve: float
    lift: float  # of the blacks
    curve: str  # srgb, bt709, gamma22, hlg
    local: float  # strength of local tone mapping
    sharpen: float
    sharpen_px: float
    readout_s: float  # of the rolling shutter
    exposure_jump: tuple[float, float] | None  # time [s], stops


def draw_phone(rng: np.random.Generator, family: str) -> Phone:
    """Draw a phone of a family, over wide ranges."""
    u = rng.uniform
    values: dict[str, Any] = {
        "stops": u(-0.6, 0.45),
        "ae": u(0.2, 0.9),
        "ae_tau": float(np.exp(u(np.log(0.15), np.log(1.6)))),
        "awb": u(0.0, 0.5),
        "awb_tau": u(0.6, 3.0),
        "wb_error": tuple(np.exp(rng.normal(0, 0.035, 3))),
        "metering": u(0, 1),
        "vignette": u(0, 0.25),
        "stray": u(0, 0.015),
        "shot": float(np.exp(u(np.log(5e-5), np.log(6e-4)))),
        "read": u(5e-4, 3e-3),
        "denoise": u(0, 0.4),
        "denoise_chroma": u(0.3, 0.9),
        "denoise_time": 0.0,
        "saturation": u(0.95, 1.15),
        "shoulder": u(0, 0.25),
        "s_curve": u(0, 0.12),
        "lift": 0.0,
        "curve": "srgb",
        "local": 0.0,
        "sharpen": u(0, 0.4),
        "sharpen_px": u(0.8, 1.5),
        "readout_s": u(0.008, 0.03),
        "exposure_jump": None,
    }
    special: dict[str, dict[str, Any]] = {
        "plain": {},
        "vivid": {"s_curve": u(0.2, 0.45), "saturation": u(1.15, 1.4), "sharpen": u(0.4, 0.9)},
        "local": {"local": u(0.1, 0.28), "s_curve": u(0.1, 0.3), "sharpen": u(0.2, 0.6)},
        "budget": {
            "denoise": u(0.5, 0.9),
            "denoise_chroma": 0.95,
            "denoise_time": u(0.3, 0.6),
            "sharpen": u(0.6, 1.2),
            "sharpen_px": u(1.2, 2.2),
            "shot": u(5e-4, 2e-3),
            "read": u(2e-3, 6e-3),
        },
        "filmic": {"shoulder": u(0.35, 0.7), "lift": u(0.0, 0.02), "s_curve": u(0, 0.2)},
        "video709": {"curve": "bt709", "s_curve": u(0, 0.1)},
        "hlg": {"curve": "hlg", "shoulder": 0.0, "s_curve": 0.0, "saturation": 1.0},
        "jumpy": {
            "ae": u(0.7, 1.0),
            "ae_tau": u(0.08, 0.4),
            "awb": u(0.4, 0.9),
            "awb_tau": u(0.3, 1.2),
        },
    }
    return Phone(family=family, **(values | special[family]))


class Camera:
    """Turns radiance into code values, frame after frame.

    Parameters
    ----------
    rng : Generator
    phone : Phone
    shape : (int, int)
        Rows and columns of the picture.
    """

    def __init__(self, rng: np.random.Generator, phone: Phone, shape: tuple[int, int]) -> None:
        self.rng, self.phone = rng, phone
        h, w = shape
        y, x = np.mgrid[:h, :w].astype(np.float32)
        r2 = ((x - w / 2) ** 2 + (y - h / 2) ** 2) / ((w / 2) ** 2 + (h / 2) ** 2)
        self.vignette = (1 - phone.vignette * r2)[..., None].astype(np.float32)
        self.middle = np.exp(-3 * r2 * phone.metering).astype(np.float32)
        # one large tile of noise, read at a new place for each frame
        self.noise = rng.standard_normal((h + 97, w + 131, 3)).astype(np.float32)
        self.curve = _curve(phone)
        self.first: Floats | None = None
        self.log_gain = np.zeros(3)
        self.gain = np.ones(3)
        self.before: Picture | None = None
        self.time_s = 0.0

    def meter(self, radiance: Picture, time_s: float) -> Floats:
        """Set the gain for the frame at `time_s`; returns it, per channel."""
        phone = self.phone
        small = cv2.resize(radiance, (48, 27), interpolation=cv2.INTER_AREA)
        weight = cv2.resize(self.middle, (48, 27), interpolation=cv2.INTER_AREA)[..., None]
        seen = (np.minimum(small, 3.0) * weight).sum(axis=(0, 1)) / weight.sum()
        log_seen = np.log(np.maximum(seen.astype(np.float64), 1e-5))
        if self.first is None:
            self.first = log_seen
            wish = np.log(0.2) - log_seen[1] + phone.stops * np.log(2)
            self.base = wish + np.log(np.array(phone.wb_error))
        change = log_seen - self.first
        bright, tint = change[1], change - change[1]
        dt = max(time_s - self.time_s, 1e-3)
        self.time_s = time_s
        target = -phone.ae * bright - phone.awb * tint
        common, own = target[1], target - target[1]
        now_common, now_own = self.log_gain[1], self.log_gain - self.log_gain[1]
        now_common += (common - now_common) * (1 - np.exp(-dt / phone.ae_tau))
        now_own = now_own + (own - now_own) * (1 - np.exp(-dt / phone.awb_tau))
        self.log_gain = now_common + now_own
        jump = 0.0
        if phone.exposure_jump is not None:
            at, stops = phone.exposure_jump
            jump = stops * np.log(2) * float(np.clip((time_s - at) / 0.15, 0, 1))
        self.gain = np.exp(self.base + self.log_gain + jump)
        return self.gain

    def develop(self, radiance: Picture) -> Picture:
        """Code values 0 to 1 (nonlinear RGB) of a metered frame."""
        phone, gain = self.phone, self.gain.astype(np.float32)
        light = radiance * (self.vignette * gain)
        if phone.stray:
            light += phone.stray * np.array(cv2.mean(light)[:3], np.float32)
        y, x = int(self.rng.integers(97)), int(self.rng.integers(131))
        noise = self.noise[y : y + light.shape[0], x : x + light.shape[1]]
        light += np.sqrt(phone.shot * gain * np.maximum(light, 0) + phone.read**2) * noise
        light = self._denoise(light)
        if phone.saturation != 1:
            s, luma = phone.saturation, np.array([0.2126, 0.7152, 0.0722])
            matrix = s * np.eye(3) + (1 - s) * np.outer(np.ones(3), luma)
            light = cv2.transform(light, matrix)
        if phone.local:
            small = cv2.resize(
                light[..., 1], None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA
            )
            base = cv2.GaussianBlur(np.log(np.maximum(small, 0.01)), (0, 0), 6)
            lift = np.exp(-phone.local * (base - np.log(0.2)))
            light *= cv2.resize(lift, light.shape[1::-1], interpolation=cv2.INTER_LINEAR)[..., None]
        top = 4.0 if phone.curve == "hlg" else 1.0
        index = np.clip(light * ((len(self.curve) - 1) / top), 0, len(self.curve) - 1)
        codes = np.take(self.curve, index.astype(np.uint16))
        if phone.sharpen:
            soft = cv2.GaussianBlur(codes, (0, 0), phone.sharpen_px)
            codes = cv2.addWeighted(codes, 1 + phone.sharpen, soft, -phone.sharpen, 0)
        return np.asarray(np.clip(codes, 0, 1), np.float32)

    def _denoise(self, light: Picture) -> Picture:
        phone = self.phone
        if phone.denoise_time:
            if self.before is not None:
                alike = np.exp(-(((light[..., 1] - self.before[..., 1]) / 0.03) ** 2))
                light = light + (phone.denoise_time * alike)[..., None] * (self.before - light)
            self.before = light
        if phone.denoise > 0.02 or phone.denoise_chroma > 0.02:
            green = light[..., 1:2]
            soft = cv2.GaussianBlur(light, (0, 0), 1.0)
            tint = (light - green) + phone.denoise_chroma * (
                (soft - soft[..., 1:2]) - (light - green)
            )
            luma = green + phone.denoise * (soft[..., 1:2] - green)
            light = np.asarray(luma + tint, np.float32)
        return np.asarray(light, np.float32)


def _curve(phone: Phone) -> Picture:
    """Code value for 8192 steps of linear light; HLG reaches four times white."""
    if phone.curve == "hlg":
        x = np.asarray(np.linspace(0, 4, 8192) * 0.2646, np.float64)  # white at 75 % of the signal
        a, b, c = 0.17883277, 0.28466892, 0.55991073  # ITU-R BT.2100, table 5 (memory)
        code: Floats = np.where(
            x <= 1 / 12, np.sqrt(3 * x), a * np.log(np.maximum(12 * x - b, 1e-9)) + c
        )
        return np.asarray(np.clip(code, 0, 1), np.float32)
    x = np.asarray(np.linspace(0, 1, 8192), np.float64)
    k = phone.shoulder
    if k:
        x = x * (1 + k) / (1 + k * x)  # slope 1 + k in the shadows, flat at white
        x = np.clip(x, 0, 1)
    if phone.curve == "bt709":
        code = np.where(x < 0.018, 4.5 * x, 1.099 * np.maximum(x, 1e-9) ** 0.45 - 0.099)
    else:
        code = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-9) ** (1 / 2.4) - 0.055)
    code = (1 - phone.s_curve) * code + phone.s_curve * code**2 * (3 - 2 * code)
    return np.asarray(np.clip(phone.lift + (1 - phone.lift) * code, 0, 1), np.float32)
