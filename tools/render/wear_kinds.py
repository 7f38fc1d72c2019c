"""How a pump has aged: dust, splashes, runs, grime, and what covers part of its surfaces."""

from dataclasses import dataclass, replace

import numpy as np

from tools.render.finish_kinds import Finish, any_color, paint, scaled, stain
from tools.render.splits import Kind, Split
from tools.render.textures import Rgb


@dataclass(frozen=True)
class Wear:
    """How a pump has aged, shared by all its parts.

    Attributes:
        dust: how much lies on surfaces facing up, 0 to 1; dust_color: its color.
        splash: dirt thrown up from the floor, 0 to 1.
        streaks: marks of running liquid, 0 to 1; streak_color: its color.
        fade: bleaching and chalking of plastics and paint, 0 to 1.
        grime: dirt in corners, 0 to 1; grime_color: its color.
    """

    dust: float
    dust_color: Rgb
    splash: float
    streaks: float
    streak_color: Rgb
    fade: float
    grime: float
    grime_color: Rgb


COVERS = ("clouds", "patches", "drips", "crust", "spray", "scratches")
"""Covers that plastics and metals both get; only paint on metal chips off (see weathering.py for what they are)."""
ANY_COVER_SHARE = 0.3
"""Share of finishes in photos to learn from that get any of them in any color."""
WEARS = (
    Kind("new", 2.5),
    Kind("used", 3),
    Kind("dusty", 1.5),
    Kind("dripped", 1.5),
    Kind("salted", 1),
    Kind("oily", 1.2),
    Kind("cement", 1, held_out=True),
    Kind("mud", 1, held_out=True),
    Kind("overspray", 0.7, held_out=True),
    Kind("wiped", 2.5, held_out=True),
)


def spoil(finish: Finish, wear_kind: str, split: Split, rng: np.random.Generator) -> Finish:
    """Lay the cover of a wear kind over a finish that has none of its own; photos to learn from show any cover too."""
    if split != "test" and rng.random() < ANY_COVER_SHARE:
        return _covered_anyhow(finish, rng)
    if finish.overlay != "none" and wear_kind not in ("cement", "mud", "overspray"):
        return finish
    amount = float(rng.uniform(0.05, 0.28))
    covers: dict[str, tuple[str, Rgb, float]] = {
        "used": (
            "scratches",
            scaled(finish.color, 1.35) if max(finish.color) < 0.5 else (0.35, 0.33, 0.3),
            0.5,
        ),
        "dusty": ("clouds", (0.3, 0.26, 0.2), 0.95),
        "dripped": ("drips", stain(rng), 0.4),
        "salted": ("crust", (0.6, 0.6, 0.57), 0.95),
        "oily": ("clouds", (0.03, 0.025, 0.018), 0.2),
        "cement": ("crust", (0.36, 0.35, 0.33), 0.95),
        "mud": ("patches", (0.12, 0.075, 0.04), 0.9),
        "overspray": ("spray", paint("test", rng), 0.4),
    }
    if wear_kind not in covers:
        return finish
    overlay, color, roughness = covers[wear_kind]
    return replace(finish, overlay=overlay, overlay_amount=amount, overlay_color=color,
                   overlay_roughness=roughness, overlay_metallic=0.0)  # fmt: skip


def _covered_anyhow(finish: Finish, rng: np.random.Generator) -> Finish:
    """Any dull cover of any color: what lies on a surface shall not tell what the surface is made of."""
    overlay = COVERS[rng.integers(len(COVERS))]
    color = any_color(rng) if rng.random() < 0.4 else scaled(finish.color, float(np.exp(rng.uniform(-1.6, 0.5))))
    return replace(finish, overlay=overlay, overlay_amount=float(rng.uniform(0.08, 0.55)), overlay_color=color,
                   overlay_roughness=float(rng.uniform(0.3, 0.95)), overlay_metallic=0.0)  # fmt: skip


def draw_wear(kind: str, rng: np.random.Generator) -> Wear:
    """How much of everything a wear kind brings."""
    dust: tuple[Rgb, ...] = ((0.32, 0.28, 0.22), (0.4, 0.39, 0.37), (0.2, 0.17, 0.14), (0.08, 0.075, 0.07))
    level = {"new": 0.08, "wiped": 0.15, "dusty": 0.85, "cement": 0.75, "mud": 0.7}.get(kind, 0.4)
    grime: tuple[Rgb, ...] = (
        (0.02, 0.017, 0.013),
        (0.07, 0.055, 0.04),
        (0.05, 0.05, 0.05),
        (0.14, 0.11, 0.08),
    )
    return Wear(
        dust=float(level * rng.uniform(0.4, 1.1)),
        dust_color=dust[rng.integers(len(dust))],
        splash=float(level * rng.uniform(0, 1) * (1.5 if kind == "mud" else 1)),
        streaks=float(level * rng.uniform(0.2, 1) * (2.0 if kind in ("dripped", "oily", "salted") else 1.0)),
        streak_color=(0.6, 0.6, 0.56) if kind == "salted" else stain(rng),
        fade=float(rng.uniform(0, 0.5) if kind != "new" else 0.0),
        grime=float(rng.beta(1.4, 2.2) if kind not in ("new", "wiped") else rng.uniform(0, 0.3)),
        grime_color=grime[rng.integers(len(grime))],
    )
