"""All circles of one photo measured by a circle of known size that lies among them: a coin.

A coin is too small to tell its slant: shading and shadow along its rim look like several degrees of it. So no
single slant is believed. All rims of the photo that lie in planes nearly parallel to the coin's tell the slant
together, a chamber's large rim far better than the coin; what they leave open is summed over (`features.slant`), and
the spread of the diameters over the possible slants is their `tilt` uncertainty.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from features.camera import Camera
from features.circle_in_space import CircleInSpace
from features.circle_sighting import CirclePrior, CircleSighting, rim_of
from features.measured import Contribution, ContributionName, MeasuredLength
from features.photo import Photo
from features.plane_pose import coin_rim
from features.reference_fit import normal_of_tilt
from features.rim_shape import RadiusAtSlants, RimShape, radius_at_slants
from features.scale.reference import ScaleReference
from features.slant import SlantPosterior, held_log_prior, slant_posterior, slant_rotations

Array = NDArray[np.float64]

_NEGLIGIBLE = 1e-7
_CELLS_FOR_CAMERA = 60


@dataclass(frozen=True, eq=False)
class RimToMeasure:
    """A circle whose diameter is wanted: its edge points and what is believed of its plane."""

    sighting: CircleSighting
    prior: CirclePrior


@dataclass(frozen=True, eq=False)
class _Scene:
    """The coin's rim (first) and the wanted ones, with what is believed of each."""

    photo: str
    reference: ScaleReference
    wanted: Sequence[RimToMeasure]
    rims: tuple[RimShape, ...]

    def radii(self, camera: Camera, slants: Array) -> list[RadiusAtSlants]:
        tilts = [0.0, *(np.deg2rad(one.prior.tilt_sd_deg) for one in self.wanted)]
        rotations = slant_rotations(slants)
        return [radius_at_slants(rim, camera, rotations, t) for rim, t in zip(self.rims, tilts, strict=True)]

    def log_likelihood(self, radii: Sequence[RadiusAtSlants]) -> Array:
        return np.asarray(sum(r.log_likelihood(rim) for r, rim in zip(radii, self.rims, strict=True)))

    def log_diameters(self, radii: Sequence[RadiusAtSlants]) -> Array:
        """(n, G) logarithms of the wanted diameters under every slant."""
        known = np.log(self.reference.circle_diameter_mm)
        to_plane = self.plane_distance_mm(radii)
        return np.stack(
            [
                known + circle.log_radius - radii[0].log_radius + np.log1p(one.prior.offset_mm / to_plane)
                for circle, one in zip(radii[1:], self.wanted, strict=True)
            ]
        )

    def plane_distance_mm(self, radii: Sequence[RadiusAtSlants]) -> Array:
        """(G,) distance of the coin's plane along its normal."""
        return np.asarray(0.5 * self.reference.circle_diameter_mm * np.exp(-radii[0].log_radius))


def measure_by_coin(
    photo: Photo, reference: ScaleReference, wanted: Sequence[RimToMeasure]
) -> tuple[CircleInSpace, ...]:
    """Measure circles by a coin.

    Args:
        photo: for its camera prior and size.
        reference: the coin, `is_circle`.
        wanted: the circles.

    Returns:
        One solved circle each, in the same order.

    Raises:
        ValueError: a rim's points lie on no circle (`features.circle_sighting.rim_of` tells).
    """
    rims = []
    for rim in (coin_rim(reference), *(rim_of(one.sighting, one.prior) for one in wanted)):
        if not rim:
            raise ValueError(rim.reason)
        rims.append(rim)
    scene = _Scene(photo.name, reference, wanted, tuple(rims))
    camera = Camera.of_size(photo.width_px, photo.height_px, photo.focal.focal_px)
    posterior = slant_posterior(lambda s: held_log_prior(s) + scene.log_likelihood(scene.radii(camera, s)))
    posterior = posterior.without_less_than(_NEGLIGIBLE)
    radii = scene.radii(camera, posterior.slants)
    logs = scene.log_diameters(radii)
    shared = _slant_parts(logs, posterior, photo.name) + _camera_parts(scene, photo, posterior)
    means = logs @ posterior.weights
    out = []
    for i in range(len(wanted)):
        parts = tuple(Contribution(name, source, loads[i]) for name, source, loads in shared)
        out.append(_solved(scene, camera, posterior, radii, i, float(means[i]), parts))
    return tuple(out)


_Shared = tuple[ContributionName, str, Sequence[float]]


def _slant_parts(logs: Array, posterior: SlantPosterior, photo: str) -> list[_Shared]:
    """The spread over the possible slants: independent errors, each moving all diameters at once."""
    off = (logs - (logs @ posterior.weights)[:, None]) * np.sqrt(posterior.weights)
    values, vectors = np.linalg.eigh(off @ off.T)
    loads = vectors * np.sqrt(np.maximum(values, 0.0))
    return [
        ("tilt", f"slant:{photo}:{k}", [float(v) for v in loads[:, -1 - k]])
        for k in range(len(values))
        if values[-1 - k] > 1e-3 * values[-1]
    ]


def _camera_parts(scene: _Scene, photo: Photo, posterior: SlantPosterior) -> list[_Shared]:
    """Half the change of every diameter between one standard uncertainty more and less of focal length and lens."""
    few = np.argsort(-posterior.weights)[:_CELLS_FOR_CAMERA]
    slants = posterior.slants[few]
    area = posterior.weights[few] / np.exp(posterior.log_density[few] - posterior.log_density.max())

    def means(log_focal: float, k1: float) -> Array:
        camera = Camera.of_size(photo.width_px, photo.height_px, photo.focal.focal_px * float(np.exp(log_focal)), k1)
        radii = scene.radii(camera, slants)
        logs = held_log_prior(slants) + scene.log_likelihood(radii)
        share = area * np.exp(logs - logs.max())
        return np.asarray(scene.log_diameters(radii) @ share / share.sum())

    focal = 0.5 * (means(photo.focal.relative_sd, 0.0) - means(-photo.focal.relative_sd, 0.0))
    lens = 0.5 * (means(0.0, photo.focal.k1_sd) - means(0.0, -photo.focal.k1_sd))
    return [("camera", f"camera:{photo.name}", focal.tolist()), ("lens", f"lens:{photo.name}", lens.tolist())]


def _solved(
    scene: _Scene,
    camera: Camera,
    posterior: SlantPosterior,
    radii: Sequence[RadiusAtSlants],
    index: int,
    log_diameter: float,
    shared: tuple[Contribution, ...],
) -> CircleInSpace:
    """One circle: its length with its budget, and its place under the most probable slant."""
    wanted, rim, circle, coin = scene.wanted[index], scene.rims[index + 1], radii[index + 1], radii[0]
    sighting, prior, best, weights = wanted.sighting, wanted.prior, posterior.best, posterior.weights
    feature = f"{sighting.photo}:{sighting.name}"
    to_plane = scene.plane_distance_mm(radii)
    per_mm = float(weights @ (1.0 / (to_plane + prior.offset_mm)))
    flaws, coin_flaws = (
        float(np.sqrt(weights @ seen.flaw_scale(shape) ** 2)) for seen, shape in ((circle, rim), (coin, scene.rims[0]))
    )
    edge = np.sqrt(float(weights @ circle.variance) + (flaws * prior.edge_shared_px / rim.radius_px) ** 2)
    own: list[tuple[ContributionName, str, float]] = [
        ("edge", f"edge:{feature}", float(edge)),
        ("reference", f"reference:{sighting.photo}", float(np.sqrt(weights @ coin.variance))),
        ("print_scale", scene.reference.size_source, coin_flaws * scene.reference.size_relative_sd),
        ("offset", f"offset:{sighting.photo}:{prior.plane or sighting.name}", per_mm * prior.offset_sd_mm),
    ]
    length = MeasuredLength(
        name=sighting.name,
        value_mm=float(np.exp(log_diameter)),
        contributions=(*(Contribution(*part) for part in own), *shared),
        photos=(sighting.photo,),
        offset_mm=prior.offset_mm,
        per_offset_mm=float(np.exp(log_diameter)) * per_mm,
    )
    rotation, distance = slant_rotations(posterior.slants[best : best + 1])[0], float(to_plane[best])
    translation = rotation @ np.array([*(coin.center[best] * distance), distance])
    center = circle.center[best] * (distance + prior.offset_mm) - coin.center[best] * distance
    own_tilt = circle.own_tilt[best]
    return CircleInSpace(
        length=length,
        center_mm=np.array([*center, prior.offset_mm]),
        normal=normal_of_tilt(own_tilt * np.deg2rad(prior.tilt_sd_deg)),
        camera=camera,
        rotation=rotation,
        translation_mm=translation,
        edge_rms_px=rim.rms_px,
        tilt_pull=float(np.linalg.norm(own_tilt)),
        cost=float(circle.misfit[best]),
    )
