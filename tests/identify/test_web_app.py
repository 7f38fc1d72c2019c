"""The page in the browser: this computer only, no other host, nothing left behind, the same answer."""

import json
import os
import re
import signal
import socket
import stat
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
EVIL = "<script>alert(1)</script>{{7*7}}${7*7}"


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def get(url):
    with urllib.request.urlopen(url, timeout=20) as answer:
        return answer.read().decode("utf-8", "replace"), dict(answer.headers)


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """`untagged serve` on a free port, with a temporary folder of its own to look into."""
    temporary = tmp_path_factory.mktemp("serve")
    port = free_port()
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "TMPDIR": str(temporary), "GRADIO_SHARE": "True"}
    process = subprocess.Popen(
        [sys.executable, "-m", "identify", "serve", "--port", str(port)],
        stderr=subprocess.PIPE, stdout=subprocess.PIPE, env=environment, text=True, cwd=temporary,
    )  # fmt: skip
    said = process.stderr.readline()
    assert f"http://127.0.0.1:{port}" in said, said
    yield f"http://127.0.0.1:{port}", temporary
    process.send_signal(signal.SIGINT)
    out, error = process.communicate(timeout=30)
    assert process.returncode == 0, error
    assert "Traceback" not in error
    assert "gradio.live" not in out + error  # never shared, whatever the environment says
    assert [p for p in temporary.iterdir() if p.name.startswith("untagged-")] == []  # all cleared away


@pytest.fixture(scope="module")
def client(served, tmp_path_factory):
    from gradio_client import Client

    return Client(served[0], verbose=False, download_files=str(tmp_path_factory.mktemp("downloads")))


def ask(client, photos=(), card_at="unknown", coin="", sheet="", known=""):
    from gradio_client import handle_file

    files = [handle_file(str(photo)) for photo in photos] or None
    return client.predict(files, card_at, coin, sheet, known, api_name="/identify")


def test_the_page_loads_nothing_from_another_host(served):
    """No address of another host is loaded by page, styles or theme, and the browser is told so too."""
    url, _ = served
    page, headers = get(url)
    assert "<title>untagged</title>" in page or '"title":"untagged"' in page
    loading = re.findall(r"<(?:script|link|img|iframe)\b[^>]*?(?:src|href)=[\"']?([^\"' >]+)", page)
    assert loading
    assert all(not re.match(r"(?:https?:)?//", address) for address in loading), loading
    theme, _ = get(f"{url}/theme.css")
    assert not re.findall(r"(?:url\(|@import)\s*[\"']?(?:https?:)?//", theme + page)
    assert "fonts.g" not in theme + page
    policy = headers.get("content-security-policy", "")
    assert "default-src 'self'" in policy
    assert "http" not in policy
    assert "frame-ancestors 'none'" in policy


def test_settings_that_could_leak_are_off(served):
    config = json.loads(get(f"{served[0]}/config")[0])
    assert config["analytics_enabled"] is False
    assert config["show_error"] is False
    assert config.get("run_history") is False
    assert config.get("is_space") in (False, None)


def test_files_of_the_computer_can_not_be_fetched(served):
    url, temporary = served
    (private,) = [p for p in temporary.iterdir() if p.name.startswith("untagged-")]
    (temporary / "shop.db").write_text("secret")
    for path in (temporary / "shop.db", Path("/etc/hostname"), ROOT / "pyproject.toml"):
        with pytest.raises(urllib.error.HTTPError):
            get(f"{url}/gradio_api/file={path}")
    assert stat.S_IMODE(private.stat().st_mode) == 0o700


def test_other_sites_may_not_ask(served):
    """A page of another site that calls this one gets no permission to read the answer."""
    request = urllib.request.Request(f"{served[0]}/config", headers={"Origin": "https://example.org"})
    with urllib.request.urlopen(request, timeout=20) as answer:
        assert answer.headers.get("access-control-allow-origin") is None


def test_what_is_known_alone_gets_an_answer_and_reports(client):
    answer, pictures, pdf, html, *_ = ask(client, known="connection=flanged\nchamber_diameter=213mm\n")
    assert "MQ-CAT-10P" in answer
    assert "lock it out" in answer
    assert "invented" in answer
    assert "elastomer" in answer
    assert pictures == []
    assert Path(pdf).read_bytes().startswith(b"%PDF")
    assert Path(html).read_text("utf-8").startswith("<!DOCTYPE html>")
    assert Path(pdf).name == "pump-report.pdf"


def test_mistakes_are_said_on_the_page_and_never_obeyed(client, tmp_path):
    assert "at least one photo" in ask(client)[0]
    coin = ask(client, coin=EVIL, known="connection=flanged")[0]
    assert "Not understood" in coin
    assert "<script>" not in coin
    assert "{" not in coin
    assert "$" not in coin
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"\xff\xd8\xff\xe0 not a photo at all")
    answer, pictures, pdf, html, *_ = ask(client, photos=[broken])
    assert "Not every photo could be read" in answer
    assert "broken.jpg" in answer
    assert (pictures, pdf, html) == ([], None, None)


def test_a_demo_photo_gets_picture_and_answer(client):
    photos = sorted((ROOT / "demo_photos").glob("*.jpg"))
    if not photos:
        pytest.skip("there are no demo photos yet")
    started = time.monotonic()
    answer, pictures, pdf, *_ = ask(client, photos=photos[:1], card_at="rim")
    assert "error of its own" not in answer
    assert photos[0].name in answer
    assert len(pictures) == 1
    assert Path(pdf).stat().st_size > 10_000
    assert time.monotonic() - started < 120


def test_a_taken_port_is_said(served):
    port = served[0].rsplit(":", 1)[1]
    done = subprocess.run(
        [sys.executable, "-m", "identify", "serve", "--port", port],
        capture_output=True, text=True, timeout=60, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.returncode == 2
    assert "--port" in done.stderr
    assert port in done.stderr
    assert "Traceback" not in done.stderr
