"""What three people do from beginning to end: R&D at a laptop, a teacher before a room, a competitor at the bar."""

from __future__ import annotations

import re
from collections.abc import Callable
from threading import Event, Thread
from typing import Any

from dashboard.app import make_app
from dashboard.guests.served import sharing_server
from dashboard.service import BenchView
from dashboard.serving import server_of
from dashboard.turns import Busy, asked_again
from tests.browser.conftest import opening
from tests.dashboard.benches import source_of_view

OpenPage = Callable[..., Any]
ROWS = "document.querySelectorAll('table.runs tbody tr').length"


def test_research_finds_a_mis_keyed_weight_corrects_it_and_leaves_a_run_out(
    open_logbook_page: OpenPage,
) -> None:
    page = open_logbook_page("/runs")
    page.wait_for_function(f"() => {ROWS} === 16")
    page.get_by_text("△ doubtful").wait_for()
    page.get_by_label("Find").fill("b3")
    page.wait_for_function(f"() => {ROWS} === 1")
    page.get_by_role("link", name="b3", exact=True).click()
    page.wait_for_selector("#run-residuals .main-svg")
    assert "Heat balance:" in page.inner_text("main")
    before = float(re.search(r"Strained\s+([\d.]+) g", page.inner_text(".facts"))[1])  # type: ignore[index]

    page.get_by_text("Correct a value", exact=True).click()
    page.get_by_label("Right value").fill("a lot")
    page.get_by_role("button", name="Correct it").click()
    page.get_by_text("Nothing was changed: Strained: give a number in g").wait_for()
    page.get_by_label("Right value").fill(f"{before - 30:.1f}")
    page.get_by_role("button", name="Correct it").click()
    page.get_by_text("Nothing was changed: say why").wait_for()
    page.locator("#run-why").fill("slip of the pen")
    page.get_by_role("button", name="Correct it").click()
    page.get_by_text(f"Strained is now {before - 30:g} g").wait_for()
    kept = page.inner_text("table.history")
    assert f"{before:.1f} g" in kept
    assert "slip of the pen" in kept
    page.get_by_text("✓ good").wait_for()

    page.get_by_text("Leave it out, or take it back", exact=True).click()
    page.locator("#run-because").fill("spilled")
    page.get_by_role("button", name="Leave it out", exact=True).click()
    page.get_by_text("Excluded: spilled").wait_for()
    page.locator("#run-because").fill("it was not this one")
    page.get_by_role("button", name="Take it back", exact=True).click()
    page.get_by_text("The run counts again.").wait_for()
    assert page.locator("table.history tbody tr").count() == 3


def test_runs_marked_on_the_list_are_laid_over_each_other_and_stay_in_the_address(
    open_page: OpenPage,
) -> None:
    page = open_page("/runs")
    page.wait_for_function(f"() => {ROWS} === 15")
    for run in ("a2", "a4"):
        box = page.get_by_label(f"Lay {run} over others")
        box.focus()
        page.keyboard.press("Space")
    page.wait_for_selector("#runs-over-figure .main-svg")
    page.wait_for_function("() => location.search.includes('over=a2') && location.search.includes('over=a4')")
    page.get_by_label("Find").fill("a2")
    page.wait_for_function(f"() => {ROWS} === 1")
    page.wait_for_function("() => location.search.includes('over=a4')")
    page.goto(page.url)
    page.get_by_text("2 runs over each other").wait_for()


def test_a_teacher_takes_a_guess_shows_the_answer_and_plays_the_runs(open_page: OpenPage) -> None:
    page = open_page("/compare", width=1920, height=1080)
    page.wait_for_selector("#compare-averages .main-svg")
    page.wait_for_function("() => location.search.includes('set_up')")
    page.get_by_role("link", name="Show it to a room").click()
    page.wait_for_selector(".guess")
    assert not page.locator("header").is_visible()
    assert page.locator(".giant-number").count() == 0
    cold, wet = page.locator(".guess").nth(0), page.locator(".guess").nth(1)
    for guess, hands in ((cold, 3), (wet, 2)):
        for _ in range(hands):
            guess.focus()
            page.keyboard.press("Enter")
    page.get_by_role("button", name="One hand less for wet cube").click()
    page.wait_for_function(
        "() => [...document.querySelectorAll('.guess output')].map(o => o.innerText).join() === '3,1'"
    )
    page.get_by_role("button", name="Show the answer").click()
    page.wait_for_selector("#replay-figure .main-svg")
    assert re.search(r"3 of 4 hands had it\.", page.inner_text(".room-said"))
    size = "e => parseFloat(getComputedStyle(e).fontSize)"
    assert page.locator(".giant-number").first.evaluate(size) >= 64
    page.get_by_text("8 ×", exact=True).click()
    page.get_by_role("button", name="Play", exact=True).click()
    page.get_by_role("button", name="Play again").wait_for()
    last = [page.inner_text(f"#replay-water-{k}") for k in (0, 1)]
    assert all("stopped at" in text for text in last)
    assert (
        page.evaluate("document.querySelector('#replay-figure .js-plotly-plot')._fullData[0].x.length") == 240
    )
    page.get_by_text("Which takes more water?").click()
    page.wait_for_function("() => location.search.includes('ask=thinner')")
    page.get_by_role("link", name="Leave the room's view").click()
    page.wait_for_selector("#compare-averages .main-svg")


def test_a_competitor_asks_what_if_on_a_phone_and_takes_the_card_along(open_page: OpenPage) -> None:
    page = open_page("/shake-time?target=coupe", width=390, height=844)
    page.wait_for_selector("#call-head .big")
    before = page.inner_text("#call-head")
    page.locator("details.ask summary").nth(0).click()
    page.get_by_label("Drink before the ice", exact=True).fill("60")
    page.locator("details.ask[open] .ask-done").click()
    page.wait_for_function(
        "before => { const h = document.querySelector('#call-head'); "
        "return h && h.innerText && h.innerText !== before; }",
        arg=before,
    )
    page.wait_for_selector("#call-levers h2")
    page.wait_for_function("() => location.search.includes('drink_temp_c=60')")
    page.get_by_role("link", name="Technique card to print").click()
    page.wait_for_selector("svg")
    text = page.inner_text("main")
    assert "night shift" in text
    assert "60 °C" in text
    assert page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0


def test_the_card_is_printed_as_one_page_of_pdf(open_page: OpenPage) -> None:
    page = open_page("/shake-time")
    page.wait_for_selector("#call-head .big")
    got = page.request.get(page.url.split("/shake-time")[0] + "/card.pdf", timeout=180_000)
    assert got.status == 200
    pdf = got.body()
    assert pdf.startswith(b"%PDF-")
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 1


def test_a_page_that_was_kept_draws_its_figures_with_no_network(open_page: OpenPage, tmp_path: Any) -> None:
    page = open_page("/compare")
    page.wait_for_selector("#compare-averages .main-svg")
    with page.expect_download() as download:
        page.get_by_role("link", name="Keep this page as one file").click()
    file = tmp_path / "kept.html"
    download.value.save_as(file)
    alone = page.context.new_page()
    alone.goto(file.as_uri())
    alone.wait_for_function("() => document.querySelectorAll('.main-svg').length >= 4")


def test_another_screen_gives_a_code_and_may_look_but_not_correct(browser: Any, view: BenchView) -> None:
    codes: list[str] = []
    server, _ = sharing_server(make_app(source_of_view(view)).server, "127.0.0.1", 0, codes.append)
    thread = Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        with opening(browser, f"http://127.0.0.1:{server.server_port}") as opened:
            page = opened("/", width=390, height=844)
            page.get_by_label("Code").fill(codes[-1].split()[-1].lower())
            page.get_by_role("button", name="Let this screen in").click()
            page.wait_for_selector("#call-head .big")
            page.goto(page.url.split("/", 3)[0] + f"//127.0.0.1:{server.server_port}/runs/b3")
            page.get_by_text("Runs are corrected on the computer that shares this.").wait_for()
            assert len(codes) == 2
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def test_a_page_that_is_told_to_ask_again_says_that_it_waits_and_asks(browser: Any, view: BenchView) -> None:
    app, free, times = make_app(source_of_view(view)), Event(), list[str]()
    inner = app.server.wsgi_app

    def busy(environ: Any, start_response: Any) -> Any:
        if environ["REQUEST_METHOD"] != "POST" or free.is_set():
            return inner(environ, start_response)
        times.append(environ["PATH_INFO"])
        return asked_again(Busy("Others are being answered.", 1))(environ, start_response)

    app.server.wsgi_app = busy
    server = server_of(app, "127.0.0.1", 0)
    thread = Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        # `opening` allows no answer that is none
        page = browser.new_page(viewport={"width": 390, "height": 844})
        page.goto(f"http://127.0.0.1:{server.server_port}/shake-time")
        page.get_by_text("This page asks again by itself").wait_for()
        free.set()
        page.wait_for_selector("#call-head .big")
        page.wait_for_function("() => document.querySelector('#busy').textContent === ''")
        assert "/_dash-update-component" in times
        page.close()
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
