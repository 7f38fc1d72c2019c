"""Who may enter and what stays closed, asked of the running server with gradio as it is installed.

Attacks are those of the OWASP Testing Guide (4.1 path traversal, 5.2 brute force, 6.5 CSRF) and the field notes on
gradio: its file, proxy and developer routes, and names of hosts that lead to this computer.
"""

import http.client
import json
import subprocess
import sys
import urllib.parse

import pytest

from identify.web.accounts import MOST_FAILURES
from identify.web.guard import _GRADIO_OPEN, roles_for
from tests.identify.web.conftest import PASSWORDS, ROOT, password_of

CLOSED = [
    "gradio_api/file=/etc/passwd", "gradio_api/file=../../etc/passwd", "gradio_api/file/etc/passwd",
    "gradio_api/file=http://example.org/", "gradio_api/proxy=https://example.org/x", "gradio_api/deep_link",
    "gradio_api/runs", "gradio_api/stream/a/b/c/playlist.m3u8", "gradio_api/vibe-code/", "gradio_api/dev/reload",
    "gradio_api/openapi.json", "monitoring", "docs", "openapi.json", "login", "logout", "pwa_icon",
    "static/../../../../etc/passwd", "assets/..%2f..%2f..%2fetc/passwd", "static/%2e%2e/%2e%2e/etc/passwd",
    "case/../accounts.sqlite", "case/ABC-2345/photo/../../accounts.jpg", "case/ABC-2345/photo/1%2f..%2f2.jpg",
    "case/%2e%2e/photo/1.jpg", "set/..%2faccounts.csv", "card/..%2fx.pdf",
]  # fmt: skip


class Caller:
    """A client that sends exactly what it is told; paths are not tidied up on the way."""

    def __init__(self, served, cookie=""):
        self.port, self.cookie = served.port, cookie

    def ask(self, method, path, body=None, **headers):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        headers = {name.replace("_", "-"): value for name, value in headers.items()}
        if self.cookie:
            headers["cookie"] = self.cookie
        connection.request(method, path, body, headers)
        answer = connection.getresponse()
        content = answer.read() if "text/event-stream" not in answer.headers.get("content-type", "") else b""
        connection.close()
        return answer.status, answer.headers, content

    def sign_in(self, name, password, **headers):
        form = urllib.parse.urlencode({"name": name, "password": password})
        return self.ask("POST", "/sign-in", form, content_type="application/x-www-form-urlencoded", **headers)


def entered(guarded, name):
    caller = Caller(guarded)
    status, headers, _ = caller.sign_in(name, password_of(name))
    assert status == 303
    return Caller(guarded, headers["set-cookie"].split(";")[0])


@pytest.fixture(scope="module")
def people(guarded):
    return {name: entered(guarded, name) for name in PASSWORDS}


# --- this computer alone ----------------------------------------------------------------------------------
@pytest.mark.parametrize("path", CLOSED)
def test_nothing_but_the_pages_is_open(served, path):
    """Not one byte of another file comes back, whatever route is tried."""
    for page in ("", "sales/", "es/shop/"):
        status, _, content = Caller(served).ask("GET", f"/{page}{path}")
        assert status in (404, 405), (page, path)
        assert b"root:" not in content


@pytest.mark.parametrize("host", ["example.org", "evil.example:{port}", "127.0.0.1.evil.example:{port}"])
def test_another_name_for_this_computer_is_refused(served, host):
    """A page of another site can give its own name our address (DNS rebinding)."""
    assert Caller(served).ask("GET", "/", host=host.format(port=served.port))[0] == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:1"},
        {"sec_fetch_site": "cross-site"},
        {"sec_fetch_site": "same-site"},
    ],
)
def test_other_sites_can_not_press_buttons(served, headers):
    """Cross-site request forgery against gradio's own routes."""
    for path in ("/gradio_api/queue/join", "/sales/gradio_api/queue/join", "/gradio_api/upload"):
        body = json.dumps({"data": [], "fn_index": 0, "session_hash": "x"})
        assert Caller(served).ask("POST", path, body, content_type="application/json", **headers)[0] == 403


def test_other_sites_may_not_read(served):
    status, headers, _ = Caller(served).ask("GET", "/config", origin="https://evil.example")
    assert status == 403
    assert headers.get("access-control-allow-origin") is None


def test_the_browser_is_told_to_load_from_here_only(served):
    for page in ("/", "/sales/", "/es/shop/"):
        status, headers, content = Caller(served).ask("GET", page)
        assert status == 200
        policy = headers["content-security-policy"]
        assert "default-src 'self'" in policy
        assert "http" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert b'"analytics_enabled":false' in content.replace(b" ", b"")
        assert b'"show_error":false' in content.replace(b" ", b"")


def test_too_much_at_once_is_refused_before_it_is_read(served):
    status, _, _ = Caller(served).ask("POST", "/gradio_api/upload", content_length=str(10**11))
    assert status == 413


def test_a_file_beyond_the_limit_is_refused(served):
    """Gradio's own limit holds on its upload route (its versions before 6.20 did not keep it)."""
    line = b'--x\r\ncontent-disposition: form-data; name="files"; filename="a.jpg"\r\n\r\n'
    body = line + b"\0" * (65 * 1024 * 1024) + b"\r\n--x--\r\n"
    kind = "multipart/form-data; boundary=x"
    status, _, _ = Caller(served).ask("POST", "/gradio_api/upload", body, content_type=kind)
    assert status == 413


def test_other_methods_are_refused(served):
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS"):
        assert Caller(served).ask(method, "/")[0] == 405


# --- other computers: everybody signs in ------------------------------------------------------------------
def test_nobody_enters_without_signing_in(guarded):
    stranger = Caller(guarded)
    assert stranger.ask("GET", "/")[1]["location"] == "/sign-in"
    assert stranger.ask("GET", "/es/sales/")[1]["location"] == "/es/sign-in"
    for path in ("/config", "/gradio_api/info", "/case/ABC-2345/photo/1.jpg", "/set/kits.csv", "/assets/x.js"):
        assert stranger.ask("GET", path)[0] == 401
    for path in ("/gradio_api/upload", "/gradio_api/queue/join", "/gradio_api/call/identify", "/sign-out"):
        assert stranger.ask("POST", path, "{}")[0] == 401
    assert Caller(guarded, "untagged_session=guess").ask("GET", "/config")[0] == 401


def test_the_cookie_can_not_be_read_or_carried_away(guarded):
    cookie = Caller(guarded).sign_in("sam", password_of("sam"))[1]["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie


def test_signing_in_can_not_be_forged_from_another_site(guarded):
    assert Caller(guarded).sign_in("sam", password_of("sam"), origin="https://evil.example")[0] == 403


@pytest.mark.parametrize(
    ("name", "open_to"), [("tina", {"/"}), ("sam", {"/", "/sales/"}), ("ada", {"/", "/sales/", "/shop/"})]
)
def test_each_role_sees_its_pages(people, name, open_to):
    for page in ("/", "/sales/", "/shop/", "/es/", "/es/sales/", "/es/shop/"):
        wanted = 200 if page.replace("/es/", "/") in open_to else 403
        assert people[name].ask("GET", page)[0] == wanted, page
        inside = people[name].ask("POST", f"{page}gradio_api/queue/join", "{}", content_type="application/json")[0]
        assert (inside == 403) == (wanted == 403), page
    assert (people[name].ask("GET", "/set/kits.csv")[0] == 200) == ("/shop/" in open_to)


def test_a_technician_sees_own_cases_only(guarded, people):
    from identify.web.case_store import CaseStore

    store = CaseStore(guarded.data / "cases")
    for made_by, seen in (("tina", 200), ("sam", 404)):
        case = _case_with_photo(store, made_by)
        assert people["tina"].ask("GET", f"/case/{case.number}/photo/1.jpg")[0] == seen
        assert people["sam"].ask("GET", f"/case/{case.number}/photo/1.jpg")[0] == 200
        assert people["tina"].ask("GET", f"/case/{case.number}/report.pdf")[0] == 403
        assert people["sam"].ask("GET", f"/case/{case.number}/photo/2.jpg")[0] == 404


def _case_with_photo(store, made_by):
    from identify.web.case_record import KeptPhoto

    case = store.open_case(made_by)
    photo = KeptPhoto(photo_id="1", name="a.jpg", digest="0" * 64, width_px=2048, height_px=1536)
    demo = next((ROOT / "demo_photos").glob("*.jpg"))
    store.photo_path(case.number, "1").write_bytes(demo.read_bytes())
    return store.change(case.number, lambda record: record.model_copy(update={"photos": (photo,)}))


def test_signing_out_ends_the_session(guarded):
    caller = entered(guarded, "sam")
    assert caller.ask("GET", "/sales/")[0] == 200
    assert caller.ask("POST", "/sign-out")[0] == 303
    assert caller.ask("GET", "/config")[0] == 401


def test_guessing_locks_the_account_even_for_the_right_password(guarded, tmp_path):
    from identify.web.accounts import Accounts

    accounts = Accounts(guarded.data / "accounts.sqlite")
    accounts.add("victim", "technician", password_of("victim"))
    caller = Caller(guarded)
    for _ in range(MOST_FAILURES):
        assert caller.sign_in("victim", "wrong password")[0] == 403
    status, _, content = caller.sign_in("victim", password_of("victim"))
    assert status == 403
    assert b"15" in content
    assert caller.sign_in("nobody at all", "wrong password")[0] == 403
    accounts.add("victim", "technician", password_of("victim"))  # the command unlocks
    assert caller.sign_in("victim", password_of("victim"))[0] == 303
    accounts.remove("victim")
    accounts.close()


_LIST_ROUTES = """
import gradio, json
from gradio.routes import App
with gradio.Blocks(analytics_enabled=False) as page:
    gradio.Textbox()
def paths(router, prefix=""):
    for route in router.routes:
        inner = getattr(route, "original_router", None)
        if inner is not None:  # fastapi keeps an included router whole; gradio includes one, under its API prefix
            yield from paths(inner, "" if inner.prefix else "/gradio_api")
        elif hasattr(route, "path"):
            yield route.path if route.path.startswith(prefix) else prefix + route.path
print(json.dumps(sorted(set(paths(App.create_app(page))))))
"""


# --- the guard's own rules --------------------------------------------------------------------------------
def test_routes_of_gradio_that_nobody_named_are_closed():
    """Every route of the installed gradio is either one the pages need or closed."""
    listed = subprocess.run([sys.executable, "-c", _LIST_ROUTES], capture_output=True, text=True, timeout=100)
    paths = set(json.loads(listed.stdout))
    assert len(paths) > 60
    risky = ("file", "proxy", "stream", "vibe", "login", "logout", "monitor")
    risky = {path for path in paths if any(word in path for word in risky) and "heartbeat" not in path}
    assert len(risky) > 8
    for path in risky:
        filled = path.replace("{path_or_url:path}", "x").replace("{path:path}", "x").replace("{url_path:path}", "x")
        assert not _GRADIO_OPEN.fullmatch(filled), path


def test_roles_follow_the_page_in_every_language():
    assert "technician" in roles_for("/gradio_api/queue/join")
    assert roles_for("/es/shop/gradio_api/queue/join") == ("admin",)
    assert roles_for("/sales/config") == ("sales", "admin")
    assert roles_for("/case/ABC-2345/report.pdf") == ("sales", "admin")
