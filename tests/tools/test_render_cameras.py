"""The renderer's cameras agree with OpenCV's own projection, and hold what they promise."""

import numpy as np
import pytest

cv2 = pytest.importorskip("cv2")
pytest.importorskip("trimesh")

from tools.render.cameras import Camera, Lens, Subject, draw_lens, hold_camera  # noqa: E402


def _camera(k1: float = -0.06, k2: float = 0.03, size: tuple[int, int] = (1280, 960)) -> Camera:
    lens = Lens(26.0, 6.0, 1.8, k1, k2, (0.002, -0.003))
    subject = Subject(np.array([[0.0, -100, 0], [0, 100, 0], [0, 0, 300]]), np.array([1.0, 0, 0]), 20.0, (0.7, 0.8))
    return hold_camera(subject, np.zeros((0, 3)), size, lens, np.random.default_rng(3))


def test_projection_is_opencvs() -> None:
    """cv2.projectPoints with the same matrix and coefficients gives the same pixels to 1e-6 px."""
    camera = _camera()
    points = np.random.default_rng(0).uniform([-100, -100, 0], [100, 100, 300], (200, 3))
    ours, _ = camera.project(points)
    fx, fy = camera.focal_xy_px
    matrix = np.array([[fx, 0, camera.center_px[0]], [0, fy, camera.center_px[1]], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(camera.rotation)
    theirs, _ = cv2.projectPoints(
        points, turn, camera.translation_mm, matrix, np.array([camera.k1, camera.k2, 0, 0, 0])
    )
    assert np.abs(ours - theirs.reshape(-1, 2)).max() < 1e-6


@pytest.mark.parametrize(("k1", "k2"), [(0.0, 0.0), (-0.07, 0.05), (0.07, -0.03)])
def test_normalized_undoes_the_lens(k1: float, k2: float) -> None:
    """Pixels to rays and back land within a thousandth of a pixel, corners of the photo included."""
    camera = _camera(k1, k2)
    px = np.array([[0, 0], [1279, 0], [0, 959], [1279, 959], [640, 480], [33.3, 700.1]], np.float64)
    assert np.abs(camera.pixels_of(camera.normalized(px)) - px).max() < 1e-3


def test_resizing_keeps_points_on_their_pixels() -> None:
    """A resize by s maps pixel centers by (x + 0.5) s - 0.5 (the convention of cv2.resize and Pillow)."""
    camera = _camera()
    small = camera.resized(641, 480)
    points = np.array([[0.0, 50, 100], [0, -80, 250]])
    expected = (camera.project(points)[0] + 0.5) * [641 / 1280, 480 / 960] - 0.5
    assert np.abs(small.project(points)[0] - expected).max() < 1e-9


def test_everything_wanted_is_in_frame_from_a_real_distance() -> None:
    """Whatever the lens and the hand, subject and scale stay in frame at 0.38 to 3 m and at most 40 deg of tilt."""
    rng = np.random.default_rng(5)
    subject = Subject(np.array([[0.0, -150, 50], [0, 150, 50], [0, 0, 350]]), np.array([1.0, 0, 0]), 15.0, (0.6, 0.95))
    extra = np.array([[30.0, 160, 300], [30.0, 200, 360]])
    for _ in range(40):
        camera = hold_camera(subject, extra, (1280, 960), draw_lens(rng, tele=bool(rng.random() < 0.4)), rng)
        px, depth = camera.project(np.concatenate([subject.points_mm, extra]))
        assert (depth > 0).all()
        assert ((px > -40) & (px < [1320, 1000])).all()
        distance = np.linalg.norm(camera.position_mm - np.array([0, 0, 200]))
        assert 250 < distance < 3100
        assert np.degrees(np.arccos(-camera.forward[0])) < 75
