"""The command `untagged` as its users and other programs meet it: options, exit codes, streams, files."""

import dataclasses
import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image
from typer.testing import CliRunner

from features.photo import PhotoRefused
from features.photo_problems import FILE_MISSING
from features.problems import Problem
from identify import answering
from identify.answer import build_answer
from identify.command_line import app, main
from reference_geometry.demo_set import load_demo_set

ROOT = Path(__file__).resolve().parents[2]
SECTION_7_KEYS = {
    "schema", "photos", "measurements", "attributes", "ports", "candidates", "not_in_set", "kits",
    "next_questions", "cautions",
}  # fmt: skip
"""Keys of the answer's JSON that checks outside the project rely on."""


@pytest.fixture
def surveyed(monkeypatch, survey):
    """Calls find the hand-made survey whatever the photo shows; what was asked of it is kept."""
    asked = []

    def fake(paths, request):
        asked.append((list(paths), request))
        return replace(survey, photos=tuple(replace(photo, card_at=request.card_at) for photo in survey.photos))

    monkeypatch.setattr(answering, "survey_photos", fake)
    return asked


def call(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments])


def run_for_real(*arguments, **more):
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "80"}
    environment.update(more.pop("env", {}))
    return subprocess.run(
        [sys.executable, "-m", "identify", *map(str, arguments)],
        capture_output=True, timeout=120, env=environment, **more,
    )  # fmt: skip


# --- answers --------------------------------------------------------------------------------------
def test_json_is_the_only_thing_on_the_standard_output(surveyed, photo, tmp_path):
    result = call("identify", photo.path, "--card-at", "rim", "--json", "--overlay", tmp_path / "o")
    assert result.exit_code == 0
    answer = json.loads(result.stdout)
    assert set(answer) >= SECTION_7_KEYS
    assert answer["schema"] == "untagged.answer/1"
    total = sum(c["probability"] for c in answer["candidates"]) + answer["not_in_set"]
    assert total == pytest.approx(1.0)
    assert (
        answer["measurements"]["chamber_diameter"]["low_mm"]
        < 213.4
        < answer["measurements"]["chamber_diameter"]["high_mm"]
    )
    assert "written" in result.stderr
    assert "written" not in result.stdout


def test_the_answer_comes_first_then_the_details_in_trade_words(surveyed, photo):
    out = call("identify", photo.path, "--card-at", "rim").stdout
    first = out[: out.index("DEMO DATA")]
    assert "MQ-CAT-10P" in first
    assert "kit" in first or "fit" in first
    assert "213.4 ± 3.1 mm" in first
    words = " ".join(out.split())
    for needed in ("8.4 in", "ASME B16.5 Class 150", "WHICH PUMP", "REBUILD KIT", "ASK NEXT", "in stock",
                   "USD", "elastomer", "lock it out", "7 mm behind", "invented",
                   "on the chamber rim"):  # fmt: skip
        assert needed in words, needed


def test_the_brief_form_is_short_and_leaves_out_nothing_that_decides(surveyed, photo, monkeypatch):
    monkeypatch.setenv("COLUMNS", "100")
    out = call("identify", photo.path, "--card-at", "rim", "--brief").stdout
    assert 8 <= len(out.splitlines()) <= 18
    words = " ".join(out.split())
    for needed in ("MQ-CAT-10P", "%", "213.4 ± 3.1 mm", "USD", "stock", "days", "Ask", "elastomer", "lock out",
                   "none of this set", "Air kit", "invented"):  # fmt: skip
        assert needed in words, needed
    wrong = call("identify", photo.path, "--brief", "--json")
    assert wrong.exit_code == 2
    assert "one of the two" in wrong.stderr


def test_the_users_own_costs_decide(surveyed, photo):
    """The same pump and chance; what a wrong kit costs is the user's to say."""
    decision = json.loads(call("identify", photo.path, "--card-at", "rim", "--json").stdout)["decisions"][0]
    dear = call("identify", photo.path, "--card-at", "rim", "--json", "--wrong-kit-cost", "EUR 4000")
    changed = json.loads(dear.stdout)["decisions"][0]
    assert decision["fit_probability"] == changed["fit_probability"]
    assert changed["expected_wrong_cost"] == pytest.approx(10 * decision["expected_wrong_cost"])
    assert "4000 EUR" in changed["cost_sentence"]


def test_measuring_alone_says_nothing_of_pumps_and_kits(surveyed, photo):
    words = call("measure", photo.path)
    assert words.exit_code == 0
    assert "213.4 ± 3.1 mm" in words.stdout
    assert "MQ-" not in words.stdout
    assert "lock it out" in words.stdout
    found = json.loads(call("measure", photo.path, "--json").stdout)
    assert set(found) == {"schema", "photos", "measurements", "attributes", "ports"}


def test_a_photo_of_something_else_is_called_so_first(tmp_path):
    """scikit-image's picture of a cup of coffee, through the real program."""
    data = pytest.importorskip("skimage.data")
    Image.fromarray(data.coffee()).save(tmp_path / "coffee.jpg")
    said = call("identify", tmp_path / "coffee.jpg")
    assert said.exit_code == 0
    assert "Measured: nothing; no photo here looks like a diaphragm pump." in " ".join(said.stdout.split())


def test_a_call_on_the_phone_needs_no_photo():
    result = call("identify", "--known", "connection=flanged", "--known", "chamber_diameter=8.39in", "--json")
    assert result.exit_code == 0
    answer = json.loads(result.stdout)
    assert answer["photos"] == []
    assert answer["measurements"]["chamber_diameter"]["value_mm"] == pytest.approx(8.39 * 25.4)
    assert answer["candidates"]


SURE_OF_A_PUMP = [
    option
    for known in (
        "chamber_diameter=212mm", "flange_diameter=108mm", "port_spacing=297mm", "chamber_bolt_count=8",
        "connection=flanged", "housing_joint=bolted", "port_position=end", "wetted_material=plastic",
    )
    for option in ("--known", known)
]  # fmt: skip


def test_a_sure_pump_is_set_beside_what_could_take_its_place(monkeypatch):
    """Repair and replacement side by side, with the caveats; nothing of it while the pump is in doubt."""
    monkeypatch.setenv("COLUMNS", "100")
    words = " ".join(call("identify", *SURE_OF_A_PUMP).stdout.split())
    for needed in ("REPAIR OR REPLACE", "this: MQ-CAT-10P-A", "MQ-CAT-10P-AC", "near drop-in", "133 x 94 mm",
                   "pipework turns", "A table of dimensions is no recommendation",
                   "14 to 20 parts to replace", "swivel seals", "list price", "stroke on"):  # fmt: skip
        assert needed in words, needed
    assert "REPAIR OR REPLACE" not in call("identify", "--known", "chamber_diameter=212mm").stdout


def test_what_was_typed_reaches_the_survey(surveyed, photo):
    call("identify", photo.path, "--card-at", "FLANGE", "--coin", "us-25c",
         "--scale-points", "10,20,310,420=50mm", "--sheet", "A4",
         "--look-at", "chamber=700,640,350", "--known", "connection=threaded")  # fmt: skip
    ((paths, request),) = surveyed
    assert paths == [photo.path]
    assert request.card_at == "flange"
    assert request.scale.coin_diameter_mm == pytest.approx(24.26)  # United States Mint, coin specifications
    assert request.scale.two_points_px == ((10, 20), (310, 420))
    assert request.scale.two_points_mm == 50
    assert request.scale.sheets == ("a4",)
    assert [(h.name, h.radius_px) for h in request.look_at] == [("chamber_diameter", 350)]
    assert request.known == {"connection": "threaded"}


def test_where_the_card_lies_reaches_the_matching(surveyed, survey, photo):
    """On the rim every family is judged by its own joint's rise; the demo families state theirs."""
    demo = load_demo_set()
    on_rim, unsaid = (
        {c.family.family_id: c.probability for c in build_answer(survey, (), demo, card_at=place).candidates}
        for place in ("rim", "unknown")
    )
    assert on_rim != pytest.approx(unsaid, rel=0.01)
    for place, expected in (("rim", on_rim), ("unknown", unsaid)):
        found = json.loads(call("identify", photo.path, "--card-at", place, "--json").stdout)["candidates"]
        assert {c["family_id"]: c["probability"] for c in found} == pytest.approx(expected)


def test_the_same_photo_twice_is_one_witness(surveyed, photo):
    result = call("identify", photo.path, photo.path)
    assert surveyed[0][0] == [photo.path]
    assert "given twice" in result.stderr


# --- files ----------------------------------------------------------------------------------------
def test_reports_and_pictures_are_written_where_asked(surveyed, photo, tmp_path):
    pdf, html, folder = tmp_path / "new" / "a.pdf", tmp_path / "a.html", tmp_path / "deep" / "er"
    assert call("identify", photo.path, "--report", pdf, "--overlay", folder).exit_code == 0
    assert call("identify", photo.path, "--report", html).exit_code == 0
    assert pdf.read_bytes().startswith(b"%PDF-")
    assert html.read_text("utf-8").startswith("<!DOCTYPE html>")
    assert [p.name for p in folder.iterdir()] == ["pump_measured.jpg"]
    with Image.open(folder / "pump_measured.jpg") as picture:
        assert picture.format == "JPEG"
    assert list(tmp_path.rglob("*.part")) == []


def test_a_photo_is_never_overwritten(surveyed, photo, tmp_path):
    before = photo.path.read_bytes()
    twin = photo.path.with_name("pump_measured.jpg")
    twin.write_bytes(before)
    link = photo.path.with_name("linked.html")
    link.symlink_to(photo.path)
    for arguments in (
        ("identify", photo.path, twin, "--overlay", photo.path.parent),
        ("identify", photo.path, "--report", link),
    ):
        result = call(*arguments)
        assert result.exit_code == 2
        assert "overwrite" in " ".join(result.stderr.split())
    assert photo.path.read_bytes() == twin.read_bytes() == before
    assert surveyed == []


def test_two_photos_of_one_name_get_two_pictures(monkeypatch, survey, photo, tmp_path):
    other = tmp_path / "b" / "pump.jpg"
    other.parent.mkdir()
    other.write_bytes(photo.path.read_bytes())
    both = dataclasses.replace(survey, photos=(survey.photos[0], dataclasses.replace(survey.photos[0], path=other)))
    monkeypatch.setattr(answering, "survey_photos", lambda *_: both)
    assert call("measure", photo.path, other, "--overlay", tmp_path / "o").exit_code == 0
    assert sorted(p.name for p in (tmp_path / "o").iterdir()) == ["pump_measured-2.jpg", "pump_measured.jpg"]


def test_an_answer_is_still_shown_when_a_file_can_not_be_written(surveyed, photo, tmp_path, monkeypatch):
    """A disk that fills up costs the file, not the measurement: exit code 1, answer shown, no half file."""

    def full(self, *_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    result = call("identify", photo.path, "--report", tmp_path / "a.pdf")
    assert result.exit_code == 1
    assert "213.4 ± 3.1 mm" in result.stdout
    assert "No space left on device" in result.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["pump.jpg"]


def test_the_card_is_written_as_a_page(tmp_path):
    result = call("card", tmp_path / "new" / "card.pdf", "--size", "large", "--paper", "letter")
    assert result.exit_code == 0
    assert (tmp_path / "new" / "card.pdf").read_bytes().startswith(b"%PDF-")
    assert "100 %" in result.stderr


# --- wrong usage: exit code 2, the option named, nothing done --------------------------------------
@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["identify"], "at least one photo"),
        (["measure"], "at least one photo"),
        (["identify", "P", "--card-at", "shelf"], "rim, flange, cover, floor or unknown"),
        (["identify", "P", "--coin", "doubloon"], "24.26mm"),
        (["identify", "P", "--coin", "2mm"], "between 5 and 100 mm"),
        (["identify", "P", "--coin", "-24mm"], "--coin"),
        (["identify", "P", "--sheet", "a3"], "a4, a5 or letter"),
        (["identify", "P", "--scale-points", "1,2,3=50"], "X1,Y1,X2,Y2=MM"),
        (["identify", "P", "--scale-points", "1,2,1,2=50"], "the same"),
        (["identify", "P", "--scale-points", "1,2,nan,4=50"], "X1,Y1,X2,Y2=MM"),
        (["identify", "P", "--scale-points", "1,2,300,4=0"], "X1,Y1,X2,Y2=MM"),
        (["identify", "P", "Q", "--scale-points", "1,2,300,4=50"], "exactly one PHOTO"),
        (["identify", "P", "Q", "--look-at", "port_bore=1,2,3"], "exactly one PHOTO"),
        (["identify", "P", "--look-at", "nameplate=1,2,3"], "not a feature"),
        (["identify", "P", "--look-at", "port_bore=1,2,-3"], "NAME=X,Y,R"),
        (["identify", "P", "--known", "connection"], "NAME=VALUE"),
        (["identify", "P", "--known", "conection=flanged"], "connection"),
        (["identify", "P", "--known", "connection=welded"], "flanged"),
        (["identify", "P", "--known", "elastomer=EPDM", "--known", "elastomer=FKM"], "elastomer"),
        (["identify", "P", "--report", "answer.docx"], ".pdf or .html"),
        (["identify", "P", "--report", "."], ".pdf or .html"),
        (["identify", "P", "--reprot", "a.pdf"], "--report"),
        (["card", "card.png"], ".pdf"),
        (["card", "card.pdf", "--size", "huge"], "pocket or large"),
        (["card", "card.pdf", "--paper", "a0"], "a4 or letter"),
        (["serve", "--host", "0.0.0.0"], "logins"),
        (["serve", "--host", "example.org"], "logins"),
        (["serve", "--port", "99999999"], "--port"),
        (["guess"], "No such command"),
    ],
)
def test_wrong_usage_names_the_option_and_does_nothing(arguments, said, surveyed, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    result = call(*arguments)
    assert result.exit_code == 2, result.output
    assert said in " ".join(result.stderr.split())
    assert result.stdout == ""
    assert surveyed == []
    assert "Traceback" not in result.output
    assert [p.name for p in tmp_path.iterdir()] == ["pump.jpg"]


def test_a_report_can_not_go_where_a_file_stands_in_the_way(surveyed, photo, tmp_path):
    (tmp_path / "folder.pdf").mkdir()
    (tmp_path / "file").write_text("x")
    for option, path in (("--report", "folder.pdf"), ("--report", "file/a.pdf"), ("--overlay", "file")):
        result = call("identify", photo.path, option, tmp_path / path)
        assert result.exit_code == 2
        assert option in result.stderr
    assert surveyed == []


def test_a_folder_without_permission_is_named_before_any_work(surveyed, photo, tmp_path, monkeypatch):
    """The check itself is replaced, since tests may run as a user who may write anywhere."""
    monkeypatch.setattr("identify.output_files.os.access", lambda *_: False)
    result = call("identify", photo.path, "--overlay", tmp_path / "closed" / "o")
    assert result.exit_code == 2
    assert "permission" in result.stderr
    assert surveyed == []


# --- inputs that can not be read: exit code 3 ------------------------------------------------------
def test_every_unreadable_photo_is_named_and_so_is_every_readable_one(monkeypatch, survey, photo, tmp_path):
    refused = tuple(
        PhotoRefused(name, tmp_path / name, Problem(FILE_MISSING)) for name in ("gone.jpg", "lost\x1b[31m.jpg")
    )
    monkeypatch.setattr(answering, "survey_photos", lambda *_: dataclasses.replace(survey, refused=refused))
    result = call("identify", photo.path, tmp_path / "gone.jpg", "--json", "--report", tmp_path / "a.pdf",
                  "--overlay", tmp_path / "o")  # fmt: skip
    assert result.exit_code == 3
    assert result.stdout == ""
    lines = result.stderr.splitlines()
    assert any("gone.jpg" in line and "no such file" in line for line in lines)
    assert any("read without trouble" in line and "pump.jpg" in line for line in lines)
    assert "\x1b" not in result.stderr  # a file name can not steer the terminal
    assert [p.name for p in tmp_path.iterdir()] == ["pump.jpg"]


def test_bad_files_end_with_three_and_one_line_each_and_no_traceback(tmp_path):
    """The whole program, with files as they come."""
    (tmp_path / "empty.jpg").write_bytes(b"")
    (tmp_path / "letter.jpg").write_text("Dear sirs,")
    (tmp_path / "folder.jpg").mkdir()
    Image.new("RGB", (900, 700), "gray").save(tmp_path / "gray.png")
    names = ["empty.jpg", "letter.jpg", "folder.jpg", "missing.jpg"]
    done = run_for_real("identify", *names, "gray.png", "--report", "a.pdf", "--json", cwd=tmp_path)
    said = done.stderr.decode()
    assert done.returncode == 3, said
    assert done.stdout == b""
    for name in names:
        assert sum(line.strip().startswith(f"{name}:") for line in said.splitlines()) == 1
    assert "read without trouble: gray.png" in said
    assert "Traceback" not in said
    assert not (tmp_path / "a.pdf").exists()


@pytest.mark.parametrize("url", ["sqlite:///missing.db", "sqlite:///letter.db", "postgres", "bogus://x"])
def test_a_reference_set_that_can_not_be_read_is_said_in_a_line(url, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "letter.db").write_text("Dear sirs, this is no database at all. " * 40)
    result = call("identify", "--known", "connection=flanged", "--reference", url)
    assert result.exit_code == 3
    assert "reference set" in result.stderr
    assert "Traceback" not in result.output
    assert sorted(p.name for p in tmp_path.iterdir()) == ["letter.db"]


# --- the terminal ---------------------------------------------------------------------------------
@pytest.mark.parametrize("columns", [40, 80, 200])
def test_piped_words_carry_no_color_fit_any_width_and_any_windows_console(columns, surveyed, photo, monkeypatch):
    """Code page 1252 is what a Windows console of Western Europe or the Americas writes into a pipe."""
    monkeypatch.setenv("COLUMNS", str(columns))
    out = call("identify", photo.path, "--card-at", "rim").stdout
    assert "\x1b" not in out
    assert max(map(len, out.splitlines())) <= min(columns, 100)
    assert "213.4 ± 3.1 mm" in out.encode("cp1252").decode("cp1252")


def test_a_console_without_our_characters_gets_others_instead():
    done = run_for_real("identify", "--known", "chamber_diameter=213mm", env={"PYTHONIOENCODING": "ascii"})
    assert done.returncode == 0, done.stderr
    assert b"213.0 ? 2.0 mm" in done.stdout
    assert b"\x1b" not in done.stdout


def test_a_reader_that_goes_away_is_no_error():
    """As in `untagged identify ... | head -1`."""
    command = [sys.executable, "-m", "identify", "identify", "--known", "chamber_diameter=213mm"]
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(command, stdout=writer, stderr=subprocess.PIPE, env=environment, timeout=120)
    os.close(writer)
    assert done.stderr == b""
    assert done.returncode == 0


def test_an_error_of_the_program_itself_is_said_without_a_traceback(monkeypatch, capsys):
    def broken(*_):
        raise ZeroDivisionError("some detail")

    monkeypatch.setattr("identify.command_line._reference_set", broken)
    monkeypatch.setattr(sys, "argv", ["untagged", "identify", "--known", "connection=flanged"])
    monkeypatch.delenv("UNTAGGED_TRACEBACK", raising=False)
    with pytest.raises(SystemExit) as stop:
        main()
    assert stop.value.code == 1
    said = capsys.readouterr()
    assert "error of its own (ZeroDivisionError: some detail)" in said.err
    assert "Traceback" not in said.err


def test_help_costs_less_than_half_a_second_of_work_and_loads_nothing_heavy():
    """CPU time, so that a busy machine does not matter; 0.11 s where this was written."""
    script = (
        "import sys, time\n"
        "import identify.command_line as c\n"
        "c.app(['--help'], standalone_mode=False)\n"
        "heavy = {'numpy', 'cv2', 'gradio', 'sqlalchemy', 'scipy', 'PIL', 'reportlab'} & set(sys.modules)\n"
        "print(sorted(heavy), time.process_time())\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, cwd=ROOT)
    assert done.returncode == 0, done.stderr
    heavy, seconds = done.stdout.splitlines()[-1].rsplit(" ", 1)
    assert heavy == "[]"
    assert float(seconds) < 0.5


def test_the_version_is_said():
    result = call("--version")
    assert result.exit_code == 0
    assert result.stdout.startswith("untagged ")
