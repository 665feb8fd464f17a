"""What may be changed in a yard without touching engine or smoke: a board, a wall, a bumper."""

from dataclasses import replace

import cv2
import numpy as np

from smokecase.demo.textures import SURFACES

LIGHT, DARK = 0.75, 0.05  # of white and black paint (common practice, no source)


def put_behind(scene, surface, seed):
    """The car stands before another surface."""
    rng = np.random.default_rng([seed, 78])
    wall = SURFACES[surface](rng, *scene.near.shape)
    return _behind_the_car(scene, np.asarray(wall, np.float32))


def hang_bands(scene):
    """A striped board behind the plume, its bands two thirds of a pipe wide.

    They run across the outflow at 45 degrees, so that every direction meets light and dark.
    """
    h, w = scene.near.shape
    y, x = np.mgrid[:h, :w].astype(np.float32)
    a = np.deg2rad(scene.direction_deg)
    d = scene.diameter_px
    along = (x - scene.exit_px[0]) * np.cos(a) + (y - scene.exit_px[1]) * np.sin(a)
    across = (y - scene.exit_px[1]) * np.cos(a) - (x - scene.exit_px[0]) * np.sin(a)
    phase = np.sin(np.pi * (along + across) / np.sqrt(2) / (0.67 * d))
    share = np.clip(0.5 + phase * d / 4, 0, 1)  # edges about a pixel wide
    bands = (DARK + (LIGHT - DARK) * share)[..., None] * np.ones(3)
    inside = (np.abs(along - 3 * d) < 5 * d) & (np.abs(across) < 3 * d)
    soft = cv2.GaussianBlur(inside.astype(np.float32), (0, 0), 0.6)[..., None]
    wall = scene.reflectance + soft * (bands.astype(np.float32) - scene.reflectance)
    return _behind_the_car(scene, np.asarray(wall, np.float32))


def hide_pipe(scene):
    """Lay a bumper over the pipe up to its mouth; the smoke comes out from behind it."""
    a = np.deg2rad(scene.direction_deg)
    along, across = np.array([np.cos(a), np.sin(a)]), np.array([-np.sin(a), np.cos(a)])
    d, exit_px = scene.diameter_px, np.array(scene.exit_px)
    corners = [exit_px + along * s * d + across * t * d
               for s, t in ((0.05, -2.0), (0.05, 2.0), (-8.0, 2.0), (-8.0, -2.0))]  # fmt: skip
    mask = np.zeros(scene.near.shape, np.float32)
    cv2.fillPoly(mask, [np.round(corners).astype(np.int32)], 1.0, cv2.LINE_AA)
    mask = cv2.GaussianBlur(mask, (0, 0), 0.6)
    rear = np.array([0.05, 0.055, 0.06], np.float32)  # dark plastic
    hidden = scene.reflectance + mask[..., None] * (rear - scene.reflectance)
    return replace(
        scene, reflectance=np.asarray(hidden, np.float32), near=np.maximum(scene.near, mask)
    )


def _behind_the_car(scene, wall):
    mixed = wall + scene.near[..., None] * (scene.reflectance - wall)
    return replace(
        scene, reflectance=np.asarray(mixed, np.float32), board_px=None,
        leaves=np.zeros_like(scene.leaves),
    )  # fmt: skip
