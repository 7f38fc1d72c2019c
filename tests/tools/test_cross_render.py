"""What is handed to the other renderer arrives whole, and its camera sees points where OpenCV's does."""

from pathlib import Path

import numpy as np
import pytest

cv2 = pytest.importorskip("cv2")

from tools.cross_render.camera_pose import FILM_MM, METERS, f_number, focal_length_mm, pose  # noqa: E402
from tools.cross_render.scene_file import (  # noqa: E402
    HandedCamera,
    HandedPart,
    HandedPicture,
    HandedScene,
    PlainFinish,
    read_scene,
    write_scene,
)


def _camera() -> HandedCamera:
    rotation, _ = cv2.Rodrigues(np.array([1.2, -0.4, 0.7]))
    return HandedCamera(801, 601, 640.0, rotation, np.array([300.0, -500.0, 200.0]), 1.5, 620.0)


def test_the_camera_sees_what_opencvs_sees() -> None:
    """A pose that looks along -z with y up, and a 36 mm film, give the pixels of cv2.projectPoints to 1e-6 px."""
    camera = _camera()
    points_mm = np.random.default_rng(2).normal(0, 50, (100, 3)) + camera.position_mm + 600 * camera.rotation[2]
    homogeneous = np.column_stack([points_mm * METERS, np.ones(len(points_mm))])
    x, y, z, _ = np.linalg.inv(pose(camera)) @ homogeneous.T
    assert (z < 0).all()
    film_mm = focal_length_mm(camera) * np.stack([x, y]) / -z
    px_per_mm = camera.width_px / FILM_MM
    middle = np.array([(camera.width_px - 1) / 2, (camera.height_px - 1) / 2])
    ours = middle + px_per_mm * (film_mm * [[1], [-1]]).T
    matrix = np.array([[camera.focal_px, 0, middle[0]], [0, camera.focal_px, middle[1]], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(camera.rotation)
    theirs, _ = cv2.projectPoints(points_mm, turn, -camera.rotation @ camera.position_mm, matrix, np.zeros(5))
    assert np.abs(ours - theirs.reshape(-1, 2)).max() < 1e-6


def test_the_aperture_keeps_its_size() -> None:
    """Focal length over f-number is the aperture's diameter, as any book on photography has it."""
    camera = _camera()
    assert focal_length_mm(camera) / f_number(camera) == pytest.approx(2 * camera.aperture_radius_mm)


def test_a_scene_arrives_as_it_was_written(tmp_path: Path) -> None:
    """All numbers of a scene come back equal, and no half file is left."""
    rng = np.random.default_rng(1)
    vertices, faces = rng.normal(size=(5, 3)).astype(np.float32), np.array([[0, 1, 2], [2, 3, 4]], np.int32)
    uvs, color = rng.random((5, 2)).astype(np.float32), rng.random((4, 6, 3)).astype(np.float32)
    scene = HandedScene(
        (HandedPart(vertices, faces, "wetted"), HandedPart(vertices + 1, faces, "band")),
        {"wetted": PlainFinish((0.1, 0.2, 0.3), 0.4, 1.0), "band": PlainFinish((0.5, 0.5, 0.5), 0.6, 0.0)},
        (HandedPicture(vertices, faces, uvs, color, 0.7, 0.0),), _camera(), (5, 17),
    )  # fmt: skip
    write_scene(tmp_path / "a.npz", scene)
    read = read_scene(tmp_path / "a.npz")
    assert [path.name for path in tmp_path.iterdir()] == ["a.npz"]
    assert [part.slot for part in read.parts] == ["wetted", "band"]
    assert (read.parts[1].vertices_mm == vertices + 1).all()
    assert (read.parts[0].faces == faces).all()
    assert read.finishes == scene.finishes
    (piece,) = read.references
    assert (piece.uvs == uvs).all()
    assert (piece.color == color).all()
    assert (piece.roughness, piece.metallic) == (0.7, 0.0)
    assert vars(read.camera).keys() == vars(scene.camera).keys()
    assert (read.camera.rotation == scene.camera.rotation).all()
    assert (read.camera.width_px, read.camera.focus_mm, read.seed) == (801, 620.0, (5, 17))
