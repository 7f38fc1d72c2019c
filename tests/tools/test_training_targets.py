"""What the part model is taught of a rendered photo is what the photo shows."""

import cv2
import numpy as np
import pytest

from features.parts.part_model import MODEL_FILE
from features.parts.part_vocabulary import ATTRIBUTES, PART_CLASSES, PART_STRIDE, ROUND_CLASSES
from tools.bench.part_figures import with_hidden
from tools.render.finish_kinds import made_of
from tools.train.pack import Packed
from tools.train.targets import targets_of
from tools.train.view_shown import view_shown

WIDTH, HEIGHT, FOCAL = 640, 480, 600.0
COVER, MANIFOLD = PART_CLASSES.index("chamber_cover"), PART_CLASSES.index("manifold")


def record_from(around_deg, view="port", features=()):
    """A record of a level camera 1 m from the pump, so far round it from +x towards the front (-y)."""
    a = np.deg2rad(around_deg)
    toward = np.array([np.cos(a), -np.sin(a), 0.0])
    forward, down = -toward, np.array([0.0, 0.0, -1.0])
    rotation = np.stack([np.cross(down, forward), down, forward])
    camera = {"fx": FOCAL, "fy": FOCAL, "cx": WIDTH / 2, "cy": HEIGHT / 2, "distortion": [0.0] * 5,
              "rotation_pump_to_camera": rotation.tolist(),
              "translation_pump_to_camera_mm": (-rotation @ (1000.0 * toward)).tolist()}  # fmt: skip
    return {"view": view, "width": WIDTH, "height": HEIGHT, "camera": camera, "features": list(features),
            "attributes": {"connection": "threaded"}, "scale_references": []}  # fmt: skip


def pump_in_the_middle():
    classes = np.zeros((HEIGHT, WIDTH), np.uint8)
    classes[100:380, 150:490] = COVER
    return classes


@pytest.mark.parametrize(
    ("around_deg", "word"),
    [(0, "chamber"), (20, "chamber"), (160, "chamber"), (45, "three_quarter"), (90, "front"), (110, "front"),
     (30, ""), (58, ""), (-90, "")],
)  # fmt: skip
def test_a_photo_of_the_whole_pump_is_named_by_where_the_camera_stands(around_deg, word):
    """Near a border between two words and from behind no word is asked for."""
    assert view_shown(record_from(around_deg), pump_in_the_middle()) == word


@pytest.mark.parametrize(("diameter_mm", "word"), [(250.0, "port"), (90.0, "")])
def test_a_photo_of_a_part_of_the_pump_is_a_ports_view_where_the_port_is_large_in_it(diameter_mm, word):
    flange = {"name": "flange_diameter", "center_mm": [0.0, 0.0, 900.0], "normal": [0.0, 0.0, -1.0],
              "diameter_mm": diameter_mm, "faces_camera": True}  # fmt: skip
    filled = np.full((HEIGHT, WIDTH), MANIFOLD, np.uint8)
    assert view_shown(record_from(90, features=[flange]), filled) == word


@pytest.mark.parametrize(("aside_mm", "word"), [(150.0, ""), (500.0, ""), (600.0, "port"), (800.0, "port")])
def test_beside_more_than_half_a_chamber_a_large_port_is_not_the_only_right_name(aside_mm, word):
    """A chamber seen edge-on, as in a front view; the picture's border is 533 mm aside at this distance."""
    flange = {"name": "flange_diameter", "center_mm": [0.0, 0.0, 900.0], "normal": [0.0, 0.0, -1.0],
              "diameter_mm": 250.0, "faces_camera": True}  # fmt: skip
    chamber = {"name": "chamber_diameter", "center_mm": [aside_mm, 0.0, 1000.0], "normal": [1.0, 0.0, 0.0],
               "diameter_mm": 300.0, "faces_camera": False}  # fmt: skip
    filled = np.full((HEIGHT, WIDTH), MANIFOLD, np.uint8)
    assert view_shown(record_from(90, features=[flange, chamber]), filled) == word


def test_a_coin_is_taught_as_the_ellipse_that_opencv_fits_to_its_outline():
    turn = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    rim = 12.0 * np.column_stack([np.cos(turn), np.sin(turn) * 0.9, np.sin(turn) * 0.4])
    matrix = np.array([[FOCAL, 0, WIDTH / 2], [0, FOCAL, HEIGHT / 2], [0, 0, 1]])
    outline, _ = cv2.projectPoints(rim, np.zeros(3), np.array([40.0, -30.0, 500.0]), matrix, None)
    record = record_from(90)
    record["scale_references"] = [{"kind": "coin", "outline_px": outline.reshape(-1, 2), "visible_fraction": 1.0}]
    rows = targets_of(record, pump_in_the_middle()).rounds
    (coin,) = rows[rows[:, 5] == ROUND_CLASSES.index("coin")]
    center, axes, _ = cv2.fitEllipse(outline.astype(np.float32))
    assert coin[:2] == pytest.approx(center, abs=0.02)
    shape = np.array([[coin[2], coin[4]], [coin[4], coin[3]]])
    assert np.sqrt(np.linalg.eigvalsh(shape)) == pytest.approx(np.sort(axes) / 2, rel=2e-3)
    assert coin[6] == 1


def test_the_part_map_is_taught_where_the_parts_lie():
    """A disc's middle, worked out from the cells that are taught, is that of OpenCV's moments of its pixels."""
    torch = pytest.importorskip("torch", reason="PyTorch is not installed")
    losses = pytest.importorskip("tools.train.losses")
    drawn = np.zeros((96, 128), np.uint8)
    cv2.circle(drawn, (51, 37), 20, COVER, -1)
    shares = losses.cell_shares(torch.from_numpy(drawn[None].astype(np.int64)), len(PART_CLASSES)).numpy()[0]
    assert np.allclose(shares.sum(axis=0), 1.0)
    moments = cv2.moments(np.ascontiguousarray(shares[COVER]))
    cell = np.array([moments["m10"], moments["m01"]]) / moments["m00"]
    moments = cv2.moments((drawn == COVER).astype(np.uint8))
    middle = np.array([moments["m10"], moments["m01"]]) / moments["m00"]
    assert np.allclose((cell + 0.5) * PART_STRIDE - 0.5, middle, atol=0.01)


def test_weights_made_of_the_exported_model_tell_what_the_runtime_tells():
    """Beside ONNX Runtime on the exported file; a statistic taken wrong would be told by whole units."""
    torch = pytest.importorskip("torch", reason="PyTorch is not installed")
    unfold = pytest.importorskip("tools.train.unfold")
    onnx, runtime = pytest.importorskip("onnx"), pytest.importorskip("onnxruntime")
    rng = np.random.default_rng(7)
    texture = cv2.resize(rng.integers(0, 256, (12, 12, 3), dtype=np.uint8), (96, 96), interpolation=cv2.INTER_CUBIC)
    picture = np.ascontiguousarray(texture.transpose(2, 0, 1)[None], np.float32)
    network = unfold.unfolded(onnx.load(MODEL_FILE), lambda: torch.from_numpy(picture), 1)
    told = runtime.InferenceSession(str(MODEL_FILE)).run(None, {"pictures": picture})
    with torch.no_grad():
        again = network(torch.from_numpy(picture))
    for mine, theirs in zip(again, told, strict=True):
        assert np.abs(mine.numpy() - theirs).max() < 1e-3 < np.abs(theirs).max()
    with torch.no_grad():
        trained = network.train()(torch.from_numpy(picture)).parts.numpy()
    assert np.abs(trained - told[0]).max() < 0.05, "batches give the statistics that were measured"


def test_module_of_an_exported_node():
    unfold = pytest.importorskip("tools.train.unfold", reason="PyTorch is not installed")
    assert unfold.module_name("/up16/join/join.1/join.1.3/join.1.3.0/Conv") == "up16.join.1.3.0"
    assert unfold.module_name("/encoder/blocks.0/blocks.0.0/conv_dw/Conv") == "encoder.blocks.0.0.conv_dw"
    assert unfold.module_name("/parts_head/Conv") == "parts_head"


def test_what_is_hidden_is_neither_a_part_nor_asked_for():
    record = record_from(90, view="front")
    classes = pump_in_the_middle()
    targets = targets_of(record, classes)
    points = targets.points.copy()
    points[:2] = [[200, 200, 0, 1], [450, 200, 0, 1]]
    packed = Packed(
        np.zeros((1, 640, 640, 3), np.uint8), np.pad(classes, ((0, 160), (0, 0)))[None], np.array([[WIDTH, HEIGHT]]),
        points[None], targets.rounds[None], targets.attributes[None], targets.seen[None],
        np.array([0]), np.array(["photo.jpg"]),
    )  # fmt: skip
    hidden = np.zeros((HEIGHT, WIDTH), bool)
    hidden[:, :320] = True
    one = with_hidden(packed, 0, hidden)
    assert (one.classes[0, :HEIGHT, :320] == 0).all()
    assert (one.classes[0, :HEIGHT, 320:] == classes[:, 320:]).all()
    assert one.points[0, :2, 3].tolist() == [0, 1]
    assert packed.points[0, :2, 3].tolist() == [1, 1]
    joint = list(ATTRIBUTES).index("wetted_material")
    assert packed.seen[0, joint]
    hidden[:] = True
    assert not with_hidden(packed, 0, hidden).seen[0, joint]


@pytest.mark.parametrize("kind", ["painted_casting", "chipped_casting", "powder_coated"])
def test_paint_on_metal_is_worn_to_the_metal_somewhere(kind):
    """What tells a painted casting from plastic (common sense: paint chips at edges, plastic has nothing under it)."""
    rng = np.random.default_rng(5)
    for _ in range(20):
        finish = made_of(kind, "test", rng)
        assert finish.overlay == "chips"
        assert finish.overlay_amount >= 0.02
    assert made_of("gray_plastic", "train", rng).overlay == "none"
