"""A few small photos rendered on the CPU: truth agrees with OpenCV and with the masks, seeds repeat, runs resume."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

mi = pytest.importorskip("mitsuba")
pytest.importorskip("trimesh")
pytest.importorskip("manifold3d")

from reference_geometry.store import load_reference  # noqa: E402
from tools.render.cameras import Lens, Subject, circle_points, hold_camera  # noqa: E402
from tools.render.check_truth import CORNER_BAR_PX, EDGE_BAR_PX, EDGES, check_photo, read_truth  # noqa: E402
from tools.render.from_family import pump_from_family  # noqa: E402
from tools.render.orders import Quality, Stopwatch, Wish  # noqa: E402
from tools.render.photo import make_scene, take_photo  # noqa: E402
from tools.render.photo_files import append_truth, write_photo  # noqa: E402
from tools.render.run import Run, choose_variant, execute  # noqa: E402


def _run(out: Path, count: int) -> Run:
    return Run(out, count, 4, "train", Quality.for_size(128, 2, denoise=False), Wish(), 1, "scalar_rgb", (), "none")


def _make(run: Run) -> list[dict[str, Any]]:
    made: list[dict[str, Any]] = []
    execute(run, 1, lambda record, seconds: made.append(record), lambda done: None)
    return made


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two photos of a small demo pump and, beside it, the pocket card, framed closely."""
    out = tmp_path_factory.mktemp("photos")
    choose_variant("scalar_rgb")
    family = next(f for f in load_reference(None).families if f.family_id == "LT-VET-03M-N")
    wish = Wish(
        view="chamber", instance=0, references=("pocket",), card_at="rim", flat=True, place="yard",
        light="overcast", wear="new", size_px=(400, 300), message=False, decent=True,
    )  # fmt: skip
    quality = Quality.for_size(400, 16, denoise=False)
    lens = Lens(80.0, 9.0, 2.4, -0.03, 0.02, (0.002, -0.001))
    for number in range(2):
        scene = make_scene(
            lambda rng, split: pump_from_family(family, rng), 1, number, "train", 1, quality, wish, (), Stopwatch()
        )
        circle = next(c for c in scene.model.circles if c.name == "chamber_diameter" and c.instance == 0)
        subject = Subject(circle_points(circle), circle.normal, 8.0, (0.9, 0.95))
        card = scene.references[0].outline_pump_mm
        camera = hold_camera(subject, card, (400, 300), lens, np.random.default_rng(number), lowest_mm=20.0)
        close = replace(scene, cameras=(replace(camera, focus_mm=float(camera.to_camera(card)[:, 2].mean())),))
        jpeg, mask, record = take_photo(close, 0, 1, number, quality, wish, Stopwatch())
        append_truth(out, write_photo(out, f"photo_{number}", jpeg, mask, record))
    return out


def test_opencv_finds_the_card_where_the_truth_says(photos: Path) -> None:
    """Median distance of ChArUco corners from the truth; above zero, or truth would have leaked into the photo."""
    checks = [check_photo(photos, record) for record in read_truth(photos)]
    distances = np.concatenate([check.corner_px for check in checks])
    assert len(distances) > 15
    assert 0.005 < np.median(distances) < CORNER_BAR_PX


def test_truth_circles_lie_on_mask_edges(photos: Path) -> None:
    checks = [check_photo(photos, record) for record in read_truth(photos)]
    distances = np.concatenate([check.edge_px[name] for check in checks for name in EDGES])
    assert len(distances) > 60
    assert 0.01 < np.median(distances) < EDGE_BAR_PX


def test_truth_is_whole(photos: Path) -> None:
    """Every record has camera, EXIF, reference with offsets, features with center and normal, attributes."""
    for record in read_truth(photos):
        assert record["schema"] == "untagged.render/1"
        assert record["camera"]["fx"] > 100
        assert len(record["camera"]["distortion"]) == 5
        assert record["exif"]
        (reference,) = record["scale_references"]
        assert reference["kind"] == "scale_card"
        assert len(reference["corners_px"]) == 24
        assert np.linalg.det(np.array(reference["rotation"])) == pytest.approx(1.0, abs=1e-3)
        offsets = {(o["name"], o["instance"]) for o in reference["feature_offsets"]}
        for feature in record["features"]:
            assert (feature["name"], feature["instance"]) in offsets
            assert np.linalg.norm(feature["normal"]) == pytest.approx(1.0, abs=1e-3)
            assert feature["center_mm"][2] > 100
            assert 0 < feature["visible_fraction"] <= 1
        assert record["attributes"]["housing_joint"] in ("bolted", "clamp_band")
        assert record["family_id"] == "LT-VET-03M-N"
        mask = np.asarray(Image.open(photos / record["mask"]))
        assert mask.shape == (record["height"], record["width"])
        assert len(np.unique(mask & 255)) > 4


def test_same_seed_same_photo_and_a_stopped_run_goes_on(tmp_path: Path) -> None:
    """A run stopped while writing its second truth line makes that photo again, byte for byte, and no other."""
    _make(_run(tmp_path, 2))
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    truth = tmp_path / "truth.jsonl"
    first, second = truth.read_text().splitlines(keepends=True)
    truth.write_text(first + second[:60])
    (tmp_path / "train_4_000001.jpg").unlink()
    remade = _make(_run(tmp_path, 2))
    assert [record["index"] for record in remade] == [1]
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before
    assert [json.loads(line)["index"] for line in truth.read_text().splitlines()] == [0, 1]
    assert _make(_run(tmp_path, 2)) == []
