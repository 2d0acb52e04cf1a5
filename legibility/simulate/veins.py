"""Veins: a few trunks from the ear's base that branch towards the rim."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from legibility.containers import GrayImage
from legibility.simulate.ear import EarSpec, axis_point_mm
from legibility.simulate.geometry import Pose, project


@dataclass(frozen=True, slots=True)
class VeinSpec:
    """How many veins there are and how strongly they show."""

    trunks: int
    width_mm: float
    strength: float
    """Extra blood in the middle of a trunk, units of ``skin``; 0..0.8."""
    wander_deg: float
    """Deviation of the direction per step."""
    depth_mm: float
    """How deep they lie: deeper ones look softer."""


def sample_veins(rng: np.random.Generator) -> VeinSpec:
    """Veins drawn at random."""
    return VeinSpec(
        trunks=int(rng.integers(0, 5)),
        width_mm=float(rng.uniform(0.6, 2.0)),
        strength=float(rng.uniform(0.05, 0.55)),
        wander_deg=float(rng.uniform(4.0, 12.0)),
        depth_mm=float(rng.uniform(0.25, 0.9)),
    )


def vein_map(spec: VeinSpec, ear: EarSpec, pose: Pose, rng: np.random.Generator) -> GrayImage:
    """Extra blood, (height, width) float32, units of ``skin``."""
    shrink = 2
    height, width = pose.height_px // shrink + 1, pose.width_px // shrink + 1
    canvas = np.zeros((height, width), dtype=np.uint8)
    start_angle = -ear.axis_deg
    for trunk in range(spec.trunks):
        across = (trunk + 1) / (spec.trunks + 1) * 1.6 - 0.8 + rng.normal(0.0, 0.1)
        root = axis_point_mm(ear, along=0.02, across=float(across) * 0.7)[0]
        stack = [(root, start_angle + 14.0 * float(across), spec.width_mm, ear.length_mm * 0.9)]
        budget = 24
        while stack and budget:
            budget -= 1
            point, angle, vein_mm, left_mm = stack.pop()
            step = 4.0
            line = [point]
            for _ in range(max(int(left_mm / step), 2)):
                angle += float(rng.normal(0.0, spec.wander_deg))
                turn = np.radians(angle)
                point = point + step * np.array([np.cos(turn), np.sin(turn)])
                line.append(point)
                left_mm -= step
                if rng.random() < 0.07 and vein_mm > 0.35:
                    side = float(rng.choice([-1.0, 1.0])) * float(rng.uniform(22.0, 48.0))
                    stack.append((point, angle + side, vein_mm * 0.65, left_mm * 0.6))
                    vein_mm *= 0.88
            pixels = np.clip(project(np.array(line), pose) / shrink, -4000, 4000)
            thickness = vein_mm * pose.px_per_mm / shrink
            value = round(255 * min(1.0, 0.4 + 0.6 * vein_mm / spec.width_mm) * min(thickness, 1.0))
            fixed = [np.round(pixels * 16).astype(np.int32)]
            cv2.polylines(canvas, fixed, False, value, max(1, round(thickness)), cv2.LINE_AA, 4)
    blur = max(spec.depth_mm * pose.px_per_mm / shrink, 0.6)
    soft = cv2.GaussianBlur(canvas.astype(np.float32) / np.float32(255.0), (0, 0), blur)
    full = cv2.resize(soft, (pose.width_px, pose.height_px), interpolation=cv2.INTER_LINEAR)
    return np.asarray(full * np.float32(spec.strength), dtype=np.float32)
