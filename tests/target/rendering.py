"""Photographs of printed boards made in numbers, so that every corner's true place is known.

A board's picture is sampled at 6 x 6 points inside every photo pixel (bilinear, from a picture of
three pixels to the photo's one, so that no edge falls between two samples), averaged, blurred by a
Gaussian, given noise, stored as JPEG. A photo point (u, v) counts from the centre of the top-left
pixel.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np

from survey.target import sheet_image, sheet_layout

SAMPLES = 6
STRIP = 64  # rows drawn at a time


def homography_of_pose(
    focal, centre, *, distance, yaw_deg=0.0, pitch_deg=0.0, roll_deg=0.0, at_px=None
):
    """Photo pixels from the target's plane (metres, y up) for a pinhole camera."""
    yaw, pitch, roll = np.radians([yaw_deg, pitch_deg, roll_deg])
    turn_y = np.array([[np.cos(yaw), 0, np.sin(yaw)], [0, 1, 0], [-np.sin(yaw), 0, np.cos(yaw)]])
    turn_x = np.array(
        [[1, 0, 0], [0, np.cos(pitch), -np.sin(pitch)], [0, np.sin(pitch), np.cos(pitch)]]
    )
    turn_z = np.array(
        [[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]]
    )
    facing = np.diag([1.0, -1.0, -1.0])
    R_camera_target = facing @ turn_z @ turn_y @ turn_x
    K = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]])
    u, v = centre if at_px is None else at_px
    origin = np.linalg.inv(K) @ [u, v, 1.0] * distance
    return K @ np.column_stack([R_camera_target[:, 0], R_camera_target[:, 1], origin])


def homography_of_size(
    code, board_px, *, at_px, yaw_deg=0.0, pitch_deg=0.0, roll_deg=0.0, focal=3029.0, centre=None
):
    """Pose at which the pattern seen square on would be `board_px` pixels wide."""
    distance = focal * sheet_layout(code).width / board_px
    return homography_of_pose(
        focal,
        at_px if centre is None else centre,
        distance=distance,
        yaw_deg=yaw_deg,
        pitch_deg=pitch_deg,
        roll_deg=roll_deg,
        at_px=at_px,
    )


def project(homography, points):
    """Photo pixels of points of the target plane."""
    mapped = np.column_stack([points, np.ones(len(points))]) @ homography.T
    return mapped[:, :2] / mapped[:, 2:]


@cache
def _picture(code, px_per_mm):
    return sheet_image(code, px_per_mm).astype(np.float32)


def place_board(photo, code, homography, *, paper=230.0, ink=25.0, px_per_mm=None, picture=None):
    """Draw a whole sheet into `photo` (float32 grey, changed in place)."""
    if picture is None:
        if px_per_mm is None:
            edges = project(homography, np.array([[0, 0], [0.001, 0], [0, 0.001]]))
            finest = max(np.linalg.norm(edges[1] - edges[0]), np.linalg.norm(edges[2] - edges[0]))
            px_per_mm = float(np.clip(1.1 ** np.round(np.log(finest * 3) / np.log(1.1)), 0.2, 24))
        picture = _picture(code, px_per_mm)
    height, width = picture.shape
    scale = px_per_mm * 1000.0
    half = np.array([width, height]) / (2 * scale)
    outline = project(homography, np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half)
    low = np.maximum(np.floor(outline.min(axis=0)).astype(int) - 1, 0)
    high = np.minimum(np.ceil(outline.max(axis=0)).astype(int) + 2, photo.shape[::-1])
    if (high <= low).any():
        return
    for top in range(low[1], high[1], STRIP):
        _draw_strip(
            photo,
            picture,
            scale,
            homography,
            (low[0], high[0]),
            (top, min(top + STRIP, high[1])),
            (ink, paper),
        )


def _draw_strip(photo, picture, scale, homography, columns, rows, levels):
    """Draw the rows `rows` of a board, between the columns `columns`."""
    height, width = picture.shape
    half = np.array([width, height]) / (2 * scale)
    u = (np.arange((columns[1] - columns[0]) * SAMPLES) + 0.5) / SAMPLES - 0.5 + columns[0]
    v = (np.arange((rows[1] - rows[0]) * SAMPLES) + 0.5) / SAMPLES - 0.5 + rows[0]
    v = v[:, None]
    inverse = np.linalg.inv(homography)
    weight = inverse[2, 0] * u + inverse[2, 1] * v + inverse[2, 2]
    x = (inverse[0, 0] * u + inverse[0, 1] * v + inverse[0, 2]) / weight
    y = (inverse[1, 0] * u + inverse[1, 1] * v + inverse[1, 2]) / weight
    seen = cv2.remap(
        picture,
        (x * scale + (width - 1) / 2).astype(np.float32),
        ((height - 1) / 2 - y * scale).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    there = (np.abs(x) <= half[0]) & (np.abs(y) <= half[1])
    ink, paper = levels
    value = ink + (paper - ink) * seen / 255.0
    shape = (rows[1] - rows[0], SAMPLES, columns[1] - columns[0], SAMPLES)
    share = there.reshape(shape).mean(axis=(1, 3))
    light = (value * there).reshape(shape).mean(axis=(1, 3))
    patch = photo[rows[0] : rows[1], columns[0] : columns[1]]
    patch[...] = patch * (1 - share) + light


def develop(photo, *, blur_px=0.8, noise=0.0, jpeg=None, rng=None, gamma=None):
    """Blur, noise, rounding and JPEG; returns a uint8 photo."""
    out = photo
    if blur_px:
        out = cv2.GaussianBlur(out, (0, 0), blur_px)
    if gamma:
        out = 255.0 * (out / 255.0) ** gamma
    if noise:
        out = out + rng.normal(0.0, noise, out.shape)
    stored = np.clip(np.rint(out), 0, 255).astype(np.uint8)
    if jpeg:
        done, data = cv2.imencode(".jpg", stored, [cv2.IMWRITE_JPEG_QUALITY, jpeg])
        assert done
        stored = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)
    return stored


def photograph(code, homography, size, *, background=110.0, paper=230.0, ink=25.0, **how):
    """One board before a plain background; `size` (width, height)."""
    photo = np.full(size[::-1], background, dtype=np.float32)
    place_board(photo, code, homography, paper=paper, ink=ink)
    return develop(photo, **how)
