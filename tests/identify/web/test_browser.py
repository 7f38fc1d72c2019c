"""The three ways through the pages in a real browser, on a phone and at a desk: Chromium driven by Playwright.

Accessibility is judged by axe-core (rules of WCAG 2.2 A and AA); that nothing leaves this machine by the browser's own
record of its requests. Without Playwright or a Chromium on the machine these tests skip and say so.
"""

import base64
import os
import re
import shutil
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from PIL import Image, ImageFilter

from reference_geometry.demo_set import load_demo_set
from tests.identify.web.conftest import ROOT, serving, untagged

PHONE, DESK = {"width": 390, "height": 844}, {"width": 1440, "height": 900}
PATIENCE_MS = 120_000
SCREENSHOTS = os.environ.get("UNTAGGED_SCREENSHOTS", "")
"""Folder for pictures of the pages, for people to look at; none are made without it."""

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="module")
def browser():
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    names = ("chromium", "chromium-browser", "google-chrome")
    chromium = next((path for name in names if (path := shutil.which(name))), None)
    if chromium is None:
        pytest.skip("there is no Chromium on this machine (Debian: apt-get install chromium)")
    with playwright.sync_playwright() as driver:
        started = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox", "--disable-gpu"])
        yield started
        started.close()


class Seen:
    """A page with a record of what it asked for, what went wrong in it and how often it was clicked."""

    def __init__(self, browser, served, path, size, **context):
        self.context = browser.new_context(viewport=size, **context)
        self.page = self.context.new_page()
        self.page.set_default_timeout(PATIENCE_MS)
        self.requests, self.errors, self.clicks = [], [], 0
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("response", lambda answer: answer.status >= 400 and self.errors.append(answer.url))
        self.page.goto(f"{served.url}{path}")

    def click(self, target, **how):
        self.clicks += 1
        (self.page.locator(target) if isinstance(target, str) else target).first.click(**how)

    def button(self, name):
        return self.page.get_by_role("button", name=name, exact=True)

    def choose_photos(self, label, *photos):
        field = self.page.locator(".block", has_text=label).locator("input[type=file]").first
        field.wait_for(state="attached")
        field.set_input_files([str(photo) for photo in photos])

    def settle(self):
        """Until nothing is being done any more."""
        self.page.wait_for_timeout(300)
        self.page.locator(".work").first.wait_for(state="detached")
        self.page.wait_for_timeout(200)

    def picture(self, name, **how):
        if SCREENSHOTS:
            Path(SCREENSHOTS).mkdir(parents=True, exist_ok=True)
            self.page.screenshot(path=str(Path(SCREENSHOTS) / f"{name}.png"), **how)

    def judge(self, served):
        """Nothing went wrong, nothing left this machine, nothing is hard to use."""
        elsewhere = {url for url in self.requests if urlsplit(url).scheme not in ("data", "blob")}
        elsewhere = {url for url in elsewhere if urlsplit(url).netloc != urlsplit(served.url).netloc}
        assert elsewhere == set()
        assert self.errors == []
        assert serious_violations(self.page) == []
        width = self.page.evaluate("document.documentElement.scrollWidth")
        assert width <= self.page.viewport_size["width"]


def kits_in(text):
    """Kit numbers of the invented demo set that a text names."""
    return {kit.kit_no for kit in load_demo_set().kits if kit.kit_no in text}


def serious_violations(page):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed")
    found = axe.Axe().run(page, options={"runOnly": {"type": "tag", "values": TAGS}}).response["violations"]
    return [(v["id"], v["nodes"][0]["html"][:200]) for v in found if v["impact"] in ("serious", "critical")]


@pytest.fixture
def opened(browser, request):
    pages = []

    def open_page(served, path, size, **context):
        pages.append(Seen(browser, served, path, size, **context))
        return pages[-1]

    yield open_page
    for seen in pages:
        seen.context.close()


@pytest.mark.parametrize(("size", "path"), [(PHONE, "/"), (DESK, "/"), (PHONE, "/es/")])
def test_a_technician_sends_photos(served, opened, demo_photo, size, path):
    """From the page to the case number and the kit; a refresh in between loses nothing."""
    seen = opened(served, path, size, has_touch=size is PHONE, is_mobile=size is PHONE)
    seen.page.locator(".guide svg").first.wait_for()
    done, photos = ("Done: send", "Take or choose photos") if path == "/" else ("Listo", "Tome o elija fotos")
    seen.picture(f"technician-{size['width']}{'-es' if path != '/' else ''}-begin")
    accepted = seen.page.locator("input[type=file]").first.get_attribute("accept")
    assert "image/*" in accepted  # with it a phone offers its camera
    assert ".heic" in accepted
    seen.choose_photos(photos, demo_photo)
    seen.page.locator(".verdict").wait_for()
    assert "case=" in seen.page.url
    seen.settle()
    assert demo_photo.name in seen.page.locator(".verdict").inner_text()
    seen.page.reload()
    seen.page.locator(".verdict").wait_for()
    seen.settle()
    seen.clicks = 0
    seen.click(seen.page.get_by_role("button", name=re.compile(done)))
    number = seen.page.locator(".outcome .number")
    number.wait_for()
    assert re.fullmatch(r"\w{3}-\w{4}", number.inner_text())
    assert kits_in(seen.page.locator(".outcome").inner_text())
    assert seen.clicks <= 3
    seen.picture(f"technician-{size['width']}{'-es' if path != '/' else ''}-done", full_page=True)
    seen.page.reload()
    number.wait_for()
    seen.judge(served)


def test_a_photo_that_is_no_good_says_why_and_what_to_do(served, opened, tmp_path):
    (tmp_path / "IMG_1.jpg").write_bytes(b"\xff\xd8\xff\xe0 not a photo")
    without_scale = ROOT / "demo_photos" / "17_no_scale_port.jpg"
    if not without_scale.exists():
        pytest.skip("the demo photo is not there")
    blurred = tmp_path / "IMG_2.jpg"
    with Image.open(without_scale) as photo:
        photo.filter(ImageFilter.GaussianBlur(photo.width / 400)).save(blurred, quality=92)
    seen = opened(served, "/", PHONE)
    seen.choose_photos("Take or choose photos", tmp_path / "IMG_1.jpg", blurred)
    seen.page.locator(".verdict").nth(1).wait_for()
    seen.settle()
    again, refused = seen.page.locator(".verdict").all_inner_texts()
    assert "Cannot be used" in refused
    assert "IMG_1.jpg" in refused
    assert "Please shoot again" in again
    assert "The photo is blurred" in again
    assert "Lay the printed scale card" in again
    seen.judge(served)


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_sales_reads_corrects_and_answers(served, opened, demo_photo, size):
    seen = opened(served, "/sales/", size, accept_downloads=True)
    page = seen.page
    seen.choose_photos("New case", demo_photo)
    page.locator(".headline").wait_for()
    seen.settle()
    assert seen.clicks == 0  # from choosing the photo to the kit nothing had to be clicked
    assert kits_in(page.locator("section:has(> h2:text-is('Rebuild kit'))").inner_text())

    place = page.get_by_label("Where does the card").nth(1)
    place.click()
    page.get_by_role("option", name="on the chamber rim").last.click()
    seen.settle()
    page.locator("[data-outline]").first.click()
    page.locator(".candidate[data-shown]").wait_for()
    seen.settle()
    seen.picture(f"sales-{size['width']}")
    seen.picture(f"sales-{size['width']}-whole", full_page=True)
    assert page.locator("#photo-view svg path[stroke='#ff5bb0']").count() >= 1
    before = page.locator(".headline").inner_text()

    page.get_by_label("Value").fill("11.4in")
    seen.button("Add").click()
    page.locator(".known li").wait_for()
    seen.settle()
    assert page.locator(".headline").inner_text() != before
    page.locator("[data-drop]").first.click()
    page.locator(".known li").wait_for(state="detached")
    seen.settle()
    assert page.locator(".headline").inner_text() == before

    draw_circle(page)
    page.locator("[data-do=reset]").wait_for()
    seen.settle()
    assert "No round edge" not in page.locator("body").inner_text()  # it was drawn where the joint is
    page.locator("[data-do=reset]").click()
    seen.settle()

    with page.expect_download() as download:
        page.get_by_text("Report as PDF").click()
    assert Path(download.value.path()).read_bytes().startswith(b"%PDF")
    page.locator(".unit-switch").click()
    assert re.search(r"\d\sin\b", page.locator(".table").first.inner_text())
    assert "lock it out" in page.locator("body").inner_text()
    seen.judge(served)


def draw_circle(page):
    """Round the chamber's joint, with mouse and keyboard, in place of the circle that was measured."""
    page.locator("[data-tool=circle]").click()
    svg = page.locator("#photo-view svg")
    svg.scroll_into_view_if_needed()
    svg.press("Escape")
    box = svg.bounding_box()
    x, y = box["x"] + 0.46 * box["width"], box["y"] + 0.49 * box["height"]
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 0.24 * box["width"], y, steps=4)
    page.mouse.up()
    svg.press("]")
    svg.press("ArrowLeft")
    page.locator("[data-do=circle]").click()


def drop_photo(page, target, path):
    """As a file manager would."""
    coded = base64.b64encode(path.read_bytes()).decode()
    dropped = page.evaluate_handle(
        """([coded, name]) => {
        const bytes = Uint8Array.from(atob(coded), (c) => c.charCodeAt(0)), data = new DataTransfer();
        data.items.add(new File([bytes], name, { type: "image/jpeg" }));
        return data;
        }""",
        [coded, path.name],
    )
    for event in ("dragenter", "dragover", "drop"):
        target.dispatch_event(event, {"dataTransfer": dropped})


def test_two_points_with_a_length_make_a_scale(served, opened):
    """A dropped photo without any scale; the points are set by mouse and moved by keyboard, the length is in inches."""
    without_scale = ROOT / "demo_photos" / "17_no_scale_port.jpg"
    if not without_scale.exists():
        pytest.skip("the demo photo is not there")
    seen = opened(served, "/sales/", DESK)
    page = seen.page
    field = page.locator(".block", has_text="New case").locator(".upload-container").first
    field.wait_for()
    page.wait_for_timeout(1000)
    drop_photo(page, field, without_scale)
    page.get_by_text("No scale reference was found").first.wait_for()
    seen.settle()
    page.locator("[data-tool=points]").click()
    svg = page.locator("#photo-view svg")
    box = svg.bounding_box()
    for across in (0.3, 0.6):
        page.mouse.click(box["x"] + across * box["width"], box["y"] + 0.5 * box["height"])
    svg.press("ArrowLeft")
    page.locator("#photo-view input").fill("6 in")
    page.locator("[data-do=points]").click()
    page.locator("[data-do=reset]").wait_for()
    seen.settle()
    measured = page.get_by_role("region", name="Measured and known").inner_text()
    assert re.search(r"flange diameter\s+\d+\.\d ± \d+\.\d mm", measured.replace("\u00a0", " "))
    assert "two points 152.4 mm apart" in measured
    page.locator("[data-tool=look]").click()
    whole = svg.get_attribute("viewBox")
    page.locator("[data-zoom='1.5']").click()
    close = svg.get_attribute("viewBox")
    svg.press("ArrowRight")
    assert len({whole, close, svg.get_attribute("viewBox")}) == 3
    svg.press("0")
    assert svg.get_attribute("viewBox") == whole
    seen.judge(served)


def test_a_measured_circle_is_moved_by_its_handles(served, opened, demo_photo):
    seen = opened(served, "/sales/", DESK)
    page = seen.page
    seen.choose_photos("New case", demo_photo)
    page.locator(".headline").wait_for()
    seen.settle()
    page.locator("[data-tool=circle]").click()
    handle = page.locator("#photo-view [data-handle=move]").bounding_box()
    x, y = (handle["x"] + handle["width"] / 2, handle["y"] + handle["height"] / 2)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 12, y + 6, steps=3)
    page.mouse.up()
    page.locator("[data-do=circle]").click()
    page.locator("[data-do=reset]").wait_for()
    seen.settle()
    assert "No round edge" not in page.locator("body").inner_text()
    measured = page.get_by_role("region", name="Measured and known").inner_text()
    assert "chamber diameter" in measured
    seen.judge(served)


def test_a_phone_s_own_format_and_the_keyboard_are_enough(served, opened, tmp_path, demo_photo):
    """HEIC, and nothing but keys from the file to the case number."""
    pytest.importorskip("pillow_heif", reason="pillow-heif is not installed").register_heif_opener()
    with Image.open(demo_photo) as photo:
        photo.save(tmp_path / "IMG_0007.HEIC", "HEIF", quality=85)
    seen = opened(served, "/", DESK)
    page = seen.page
    field = page.get_by_role("button", name="Take or choose photos")
    field.wait_for()
    page.wait_for_timeout(1000)
    with page.expect_file_chooser() as chooser:
        field.press("Enter")
    chooser.value.set_files(str(tmp_path / "IMG_0007.HEIC"))
    page.locator(".verdict.good").wait_for()
    seen.settle()
    assert "IMG_0007.HEIC" in page.locator(".verdict").inner_text()
    page.get_by_role("button", name=re.compile("Done: send")).press("Enter")
    page.locator(".outcome .number").wait_for()
    seen.judge(served)


def test_a_case_by_phone_is_confirmed_and_removed(served, opened):
    """No photo at all: what the customer says, the truth, and the end of the case."""
    seen = opened(served, "/sales/", DESK)
    page = seen.page
    seen.button("By phone").click()
    page.locator(".headline").wait_for()
    for value in ("212.8", "8.38 in"):
        page.get_by_label("Value").fill(value)
        page.get_by_label("Value").press("Enter")
        page.locator(".known li", has_text=value.split()[0]).wait_for()
        seen.settle()
    assert page.locator(".known li").count() == 1
    number = re.search(r"case=([\w-]+)", page.url)[1]
    page.get_by_role("button", name=re.compile("Confirm, close")).click()
    truth = page.get_by_label("The pump turned out to be")
    truth.click()
    page.get_by_role("option").first.click()
    page.get_by_role("button", name="Confirm", exact=True).click()
    page.get_by_text("Confirmed and kept").wait_for()
    assert "closed" in page.locator(f"[data-open='{number}']").inner_text()
    assert "Of 1 confirmed cases" in page.locator("figcaption").last.inner_text()
    page.get_by_role("button", name="Remove case").click()
    page.get_by_text("Tick the box first").wait_for()
    page.get_by_label("Really remove").check()
    page.get_by_role("button", name="Remove case").click()
    page.locator(f"[data-open='{number}']").wait_for(state="detached")
    assert "case=" not in page.url
    seen.judge(served)


def test_everything_can_be_read_in_the_dark(served, opened, demo_photo):
    """Browsers of people who like it dark ask for it; contrast is judged there too."""
    seen = opened(served, "/sales/", DESK, color_scheme="dark")
    seen.page.locator("[data-open]").first.click()
    seen.page.locator(".headline").wait_for()
    seen.settle()
    seen.picture("sales-1440-dark")
    seen.judge(served)
    for page in ("/", "/shop/"):
        seen.page.goto(f"{served.url}{page}")
        seen.page.locator(".guide svg, [data-family]").first.wait_for()
        seen.judge(served)


def test_work_can_be_cancelled_and_loses_nothing(served, opened, demo_photo):
    seen = opened(served, "/sales/", DESK)
    # Three photos: a single one may be measured before the click arrives.
    others = (demo_photo.with_name("12_pocket_card_on_flange.jpg"), demo_photo.with_name("13_pocket_card_on_rim.jpg"))
    seen.choose_photos("New case", demo_photo, *others)
    seen.page.get_by_text("Measuring photo").wait_for()
    # By a key: the page still grows while photos are measured, and a click may go down beside the button.
    seen.page.get_by_role("button", name="Cancel", exact=True).press("Enter")
    seen.page.get_by_text("Stopped.").wait_for()
    number = re.search(r"case=([\w-]+)", seen.page.url)[1]
    seen.page.reload()
    seen.page.locator(".headline").wait_for()
    assert seen.page.locator(f"[data-open='{number}'][aria-current]").count() == 1
    seen.judge(served)


@pytest.fixture(scope="module")
def own_set(tmp_path_factory):
    """Served with a set of the shop's own: a copy of the demo set."""
    temporary = tmp_path_factory.mktemp("own")
    url = f"sqlite:///{temporary / 'shop.db'}"
    for words in (("export", "families.csv", "kits.csv"), ("import", "families.csv", "kits.csv", "--reference", url)):
        done = untagged("reference", *words, temporary=temporary)
        assert done.returncode == 0, done.stderr
    yield from serving(temporary, "--reference", url)


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_the_shop_adds_readings_and_sees_gaps(own_set, opened, size):
    seen = opened(own_set, "/shop/", size, accept_downloads=True)
    page = seen.page
    page.locator("[data-family]").nth(20).wait_for()
    page.get_by_label("Find a family").fill("MQ-CAT-10P")
    # A click while the list is exchanged for the shorter one would go down on one button and up on another.
    page.wait_for_function("document.querySelectorAll('[data-family]').length < 10")
    page.locator("[data-family='MQ-CAT-10P-A']").click()
    page.get_by_role("heading", name=re.compile("MQ-CAT-10P-A")).wait_for()
    page.get_by_label("NAME=VALUE").fill("chamber_diameter=9999")
    seen.button("Keep").click()
    page.get_by_text("Nothing was kept").wait_for()
    page.get_by_label("NAME=VALUE").fill("chamber_diameter=212.8\nchamber_diameter=213.2mm")
    page.get_by_label("Measured with").fill("caliper")
    seen.button("Keep").click()
    page.get_by_text("MQ-CAT-10P-A is kept").wait_for()
    assert "213.00" in page.get_by_role("region", name="How the shop's readings agree").first.inner_text()
    seen.button("What can photos not tell apart yet?").click()
    page.get_by_role("heading", name="What photos cannot tell apart yet").wait_for()
    seen.picture(f"shop-{size['width']}")
    with page.expect_download() as download:
        page.get_by_text("measurements.csv", exact=True).last.click()
    table = Path(download.value.path()).read_text("utf-8")
    assert "212.8" in table
    seen.judge(own_set)


def test_nobody_gets_past_the_sign_in_page(guarded, opened):
    from tests.identify.web.conftest import password_of

    seen = opened(guarded, "/sales/", PHONE)
    page = seen.page
    assert page.url.endswith("/sign-in")
    seen.judge(guarded)
    page.get_by_label("Name").fill("sam")
    page.get_by_label("Password").fill("not the password")
    page.get_by_role("button", name="Sign in").click()
    page.get_by_role("alert").wait_for()
    page.get_by_label("Name").fill("sam")
    page.get_by_label("Password").fill(password_of("sam"))
    page.get_by_role("button", name="Sign in").click()
    page.get_by_text("No cases yet").or_(page.locator("[data-open]").first).first.wait_for()
    assert page.get_by_role("link", name="Shop").count() == 0
    page.get_by_role("button", name="Sign out sam").click()
    page.wait_for_url("**/sign-in")
