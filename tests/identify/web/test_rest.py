"""The call for other programs: the same JSON as the command line, mistakes said and never obeyed."""

import json
import subprocess
import sys
import urllib.request

import pytest

from identify.answer_json import AnswerModel
from tests.identify.web.conftest import ROOT, environment, password_of

EVIL = "<script>alert(1)</script>{{7*7}}${7*7}"


@pytest.fixture(scope="module")
def client(served):
    from gradio_client import Client

    return Client(served.url, verbose=False)


def ask(client, photos=(), card_at="unknown", coin="", sheet="", known="", scale_points=""):
    from gradio_client import handle_file

    files = [handle_file(str(photo)) for photo in photos] or None
    return client.predict(files, card_at, coin, sheet, known, scale_points, api_name="/identify")


def test_only_this_call_is_offered(served):
    """What happens on the pages is no interface: gradio's own listing names one call."""
    with urllib.request.urlopen(f"{served.url}/gradio_api/info", timeout=20) as answer:
        info = json.load(answer)
    assert list(info["named_endpoints"]) == ["/identify"]
    assert info["unnamed_endpoints"] == {}
    for page in ("sales", "shop", "es"):
        with urllib.request.urlopen(f"{served.url}/{page}/gradio_api/info", timeout=20) as answer:
            assert json.load(answer)["named_endpoints"] == {}


def test_what_is_known_alone_gets_an_answer(client):
    answer = ask(client, known="connection=flanged\nchamber_diameter=213mm\n")
    AnswerModel.model_validate(answer)
    assert answer["is_demo"] is True
    assert answer["measurements"]["chamber_diameter"]["value_mm"] == pytest.approx(213.0)
    assert sum(c["probability"] for c in answer["candidates"]) + answer["not_in_set"] == pytest.approx(1.0)


def test_a_photo_gets_the_same_answer_as_at_the_command_line(client, served, demo_photo):
    answer = ask(client, photos=[demo_photo], card_at="rim")
    done = subprocess.run(
        [sys.executable, "-m", "identify", "identify", str(demo_photo), "--card-at", "rim", "--json"],
        capture_output=True, text=True, timeout=200, env=environment(served.temporary),
    )  # fmt: skip
    assert answer == json.loads(done.stdout)
    (private,) = [p for p in served.temporary.iterdir() if p.name.startswith("untagged-")]
    assert [p for p in private.rglob("*") if p.suffix == ".jpg"] == []  # nothing is kept


def test_mistakes_are_said_and_never_obeyed(client, tmp_path):
    assert ask(client)["schema"] == "untagged.refusal/1"
    coin = ask(client, coin=EVIL, known="connection=flanged")
    assert coin["option"] == "--coin"
    assert EVIL[:20] in coin["reason"]
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"\xff\xd8\xff\xe0 not a photo at all")
    refused = ask(client, photos=[broken])
    assert [bad["file"] for bad in refused["unreadable"]] == ["broken.jpg"]


PHOTO = str(sorted((ROOT / "demo_photos").glob("*.jpg"))[0])


@pytest.mark.parametrize("path", [PHOTO, "/etc/hostname", "../../../etc/hostname", "{served}/card/pocket.pdf"])
@pytest.mark.parametrize("place", [0, 4])
def test_no_file_and_no_address_can_be_named_in_a_request(client, served, path, place):
    """Gradio makes a file of any path or address in any field; only what was uploaded may pass."""
    named = {"path": path.format(served=served.url), "meta": {"_type": "gradio.FileData"}}
    data = [None, "unknown", "", "", "connection=flanged", ""]
    data[place] = [named] if place == 0 else named
    payload = {"data": data}
    request = urllib.request.Request(
        f"{served.url}/gradio_api/call/identify", json.dumps(payload).encode(), {"content-type": "application/json"}
    )
    with urllib.request.urlopen(request, timeout=20) as answer:
        event = json.load(answer)["event_id"]
    with urllib.request.urlopen(f"{served.url}/gradio_api/call/identify/{event}", timeout=60) as answer:
        said = answer.read().decode()
    assert "event: error" in said
    assert "schema" not in said


def test_the_example_of_the_developers_page_runs(served, capsys):
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    example = text.split("```python\n")[1].split("```")[0]
    photos = '[handle_file("front.jpg"), handle_file("port.jpg")]'
    assert photos in example
    exec(example.replace(photos, "None").replace("http://127.0.0.1:7860", served.url), {})
    kit, probability = capsys.readouterr().out.split()[-2:]
    assert kit
    assert 0 < float(probability) <= 1


def test_a_program_signs_in_first(guarded):
    import httpx
    from gradio_client import Client

    with pytest.raises(Exception, match="login"):
        Client(guarded.url, verbose=False)
    form = {"name": "tina", "password": password_of("tina")}
    entered = httpx.post(f"{guarded.url}/sign-in", data=form, timeout=20)
    cookies = {"untagged_session": entered.cookies["untagged_session"]}
    client = Client(guarded.url, verbose=False, httpx_kwargs={"cookies": cookies})
    assert ask(client, known="connection=flanged")["schema"] == "untagged.answer/1"
