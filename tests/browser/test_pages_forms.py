"""What people press: wishes, settings, acknowledgements, sign-in; and what they may not."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta

import pytest
from playwright.sync_api import Browser, Page, expect

from service.control.types import Wish
from tests.browser.conftest import Site
from tests.browser.fake_house import NOW

PHONE = {"width": 360, "height": 740}


@pytest.fixture(params=[True, False], ids=["scripts", "no scripts"])
def page(browser: Browser, request: pytest.FixtureRequest) -> Iterator[Page]:
    context = browser.new_context(viewport=PHONE, java_script_enabled=request.param)
    yield context.new_page()
    context.close()


@pytest.fixture
def plain(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport=PHONE, java_script_enabled=False)
    yield context.new_page()
    context.close()


def asked(site: Site, home: str = "mill-lane") -> list[tuple[str, object]]:
    return site.houses[home].asked


def test_a_tenth_more_is_one_press_and_can_be_ended(page: Page, site: Site):
    asked(site).clear()
    page.goto(f"{site.url}/homes/mill-lane")
    page.get_by_role("button", name="A tenth more").click()
    assert "Done." in (page.get_by_role("status").text_content() or "")
    made = asked(site)[-1][1]
    assert made.wish is Wish.MORE  # type: ignore[attr-defined]
    row = page.locator(".standing li").filter(has_text="One tenth more than planned")
    assert "until tomorrow 04:50" in (row.text_content() or "")
    assert "asked by" in (row.text_content() or "")
    row.get_by_role("button").click()
    assert asked(site)[-1] == ("end", made.id)  # type: ignore[attr-defined]
    assert page.locator(".standing li").count() == 0


def test_where_nothing_can_be_commanded_nothing_is_asked_for(plain: Page, site: Site):
    plain.goto(f"{site.url}/homes/the-barn")
    assert "Ladle only watches" in (plain.locator("main").text_content() or "")
    assert plain.locator("main button").count() == 0


def test_a_long_word_in_a_note_stays_on_a_small_screen(plain: Page, site: Site):
    plain.goto(f"{site.url}/homes/mill-lane")
    plain.locator("#note").fill("x" * 150)
    plain.get_by_role("button", name="Ask for it").click()
    assert "x" * 150 in (plain.locator(".standing").text_content() or "")
    plain.set_viewport_size({"width": 360, "height": 740})
    widths = plain.evaluate("[document.documentElement.scrollWidth, window.innerWidth]")
    assert widths == [360, 360]
    plain.locator(".standing button").first.click()


def test_the_short_form_takes_how_much_until_when_and_why(page: Page, site: Site):
    asked(site).clear()
    page.goto(f"{site.url}/homes/mill-lane")
    page.get_by_label("How much", exact=True).select_option("charge_to:8")
    page.get_by_label("Until when", exact=True).fill("2026-11-26T06:30")
    page.locator("#note").fill("Aunt's bath <b>early</b>")
    page.get_by_role("button", name="Ask for it").click()
    made = asked(site)[-1][1]
    assert (made.wish, made.tenths) == (Wish.CHARGE_TO, 8)  # type: ignore[attr-defined]
    assert made.until.isoformat() == "2026-11-26T06:30:00+00:00"  # type: ignore[attr-defined]
    row = page.locator(".standing li").filter(has_text="Charge to eight tenths")
    assert "Aunt's bath <b>early</b>" in (row.text_content() or "")
    row.get_by_role("button").click()


def test_what_guests_are_called_outlives_a_refusal(page: Page, site: Site):
    page.goto(f"{site.url}/homes/mill-lane")
    page.get_by_text("Guests are coming").click()
    page.locator("#guests-note").fill("the choir")
    page.locator("#guests_until").fill("2026-11-20T06:30")
    page.get_by_role("button", name="Expect guests").click()
    assert "Not done." in (page.get_by_role("alert").text_content() or "")
    assert page.locator("#guests-note").input_value() == "the choir"


def test_what_is_still_to_come_is_not_called_in_force(page: Page, site: Site):
    asked(site).clear()
    page.goto(f"{site.url}/homes/mill-lane")
    page.get_by_text("Nobody will be at home").click()
    page.get_by_role("button", name="Expect nobody").click()
    assert "listed under “Asked for”" in (page.locator("main").text_content() or "")
    section = page.get_by_role("region", name="Asked for", exact=True)
    row = section.locator("li").filter(has_text="Nobody at home")
    assert "from tomorrow" in (row.text_content() or "")
    row.get_by_role("button").click()


def test_a_refused_wish_says_why_and_keeps_what_was_typed(page: Page, site: Site):
    asked(site).clear()
    page.goto(f"{site.url}/homes/mill-lane")
    page.get_by_label("How much", exact=True).select_option("charge_to:9")
    page.get_by_label("Until when", exact=True).fill("2026-11-20T06:30")
    page.locator("#note").fill("too late")
    page.get_by_role("button", name="Ask for it").click()
    said = page.get_by_role("alert").text_content() or ""
    assert "Not done." in said
    assert "It would end before it begins; name a time later" in said
    alert = page.get_by_role("alert").bounding_box()
    assert alert is not None
    assert alert["y"] < 300, "it stands where somebody looks first"
    page.get_by_role("link", name="Mend it").click()
    assert page.get_by_label("How much", exact=True).input_value() == "charge_to:9"
    assert page.get_by_label("Until when", exact=True).input_value() == "2026-11-20T06:30"
    assert page.locator("#note").input_value() == "too late"
    assert page.get_by_label("Until when", exact=True).get_attribute("aria-invalid") == "true"
    assert asked(site) == []


def test_guests_and_an_absence_are_asked_for(plain: Page, site: Site):
    asked(site).clear()
    plain.goto(f"{site.url}/homes/mill-lane")
    plain.get_by_text("Guests are coming").click()
    plain.get_by_label("How many more people").fill("3")
    plain.locator("#guests_from").fill("2026-11-27T15:00")
    plain.locator("#guests_until").fill("2026-11-29T11:00")
    plain.get_by_role("button", name="Expect guests").click()
    guests = asked(site)[-1][1]
    assert (guests.wish, guests.people) == (Wish.GUESTS, 3.0)  # type: ignore[attr-defined]
    plain.get_by_text("Nobody will be at home").click()
    plain.locator("#away_from").fill("2026-12-01T08:00")
    plain.locator("#away_until").fill("2026-12-09T19:00")
    plain.get_by_role("button", name="Expect nobody").click()
    away = asked(site)[-1][1]
    assert away.wish is Wish.AWAY  # type: ignore[attr-defined]
    assert away.until - away.since == timedelta(days=8, hours=11)  # type: ignore[attr-defined]
    assert "Guests: 3 more people" in (plain.locator(".standing").text_content() or "")
    for _ in range(2):
        plain.locator(".standing button").first.click()


def test_a_hold_is_set_and_only_a_person_ends_it(plain: Page, site: Site):
    plain.goto(f"{site.url}/homes/the-lock")
    plain.get_by_text("Maintenance hold").click()
    assert "This is not electrical isolation." in (plain.locator("main").text_content() or "")
    plain.get_by_role("button", name="Hold everything").click()
    assert "until a person ends it" in (plain.locator(".standing").text_content() or "")
    assert asked(site, "the-lock")[-1][1].wish is Wish.HOLD  # type: ignore[attr-defined]
    plain.get_by_text("Maintenance hold", exact=True).click()
    assert plain.get_by_role("button", name="End the maintenance hold").is_visible()


def test_a_hold_ended_in_another_tab_is_told_not_kept_quiet(browser: Browser, site: Site):
    context = browser.new_context(java_script_enabled=False)
    early, late = context.new_page(), context.new_page()
    early.goto(f"{site.url}/homes/mill-lane")
    early.get_by_text("Maintenance hold").click()
    early.get_by_role("button", name="Hold everything").click()
    late.goto(f"{site.url}/homes/mill-lane")
    early.locator(".standing button").first.click()
    late.locator("summary", has_text="Maintenance hold").click()
    late.get_by_role("button", name="End the maintenance hold").click()
    assert "There is no maintenance hold" in (late.get_by_role("alert").text_content() or "")
    context.close()


def test_the_same_press_twice_asks_once(plain: Page, site: Site):
    asked(site).clear()
    plain.goto(f"{site.url}/homes/mill-lane")
    form = plain.locator("form").filter(has_text="A tenth less")
    fields = {f.get_attribute("name") or "": f.input_value() for f in form.locator("input").all()}
    for _ in range(2):
        answer = plain.request.post(
            f"{site.url}/homes/mill-lane/wishes", form=fields, max_redirects=0
        )
        assert answer.status == 303
    assert [kind for kind, _ in asked(site)] == ["wish"]
    plain.goto(f"{site.url}/homes/mill-lane")
    plain.locator(".standing button").first.click()


def test_settings_are_stored_as_a_version_with_author_and_reason(page: Page, site: Site):
    page.goto(f"{site.url}/homes/mill-lane/settings")
    before = site.houses["mill-lane"].settings.tunables.learning.window_weeks
    page.get_by_label("Learning window").fill(f"{before - 1:g}")
    page.get_by_label("Why you change it").fill("New baby")
    page.get_by_role("button", name="Store as a new version").click()
    assert "new version" in (page.get_by_role("status").text_content() or "")
    assert site.houses["mill-lane"].settings.tunables.learning.window_weeks == before - 1
    newest = page.locator(".versions > li").first.text_content() or ""
    assert "New baby" in newest
    assert f"Learning window (weeks): {before - 1:g} instead of {before:g}" in newest
    first = page.locator(".versions > li").last
    assert first.locator("li").count() == 0, "there was nothing before it to differ from"
    page.get_by_role("button", name="Store as a new version").click()
    assert "nothing was stored" in (page.get_by_role("status").text_content() or "")


def test_a_settings_page_left_open_takes_nobodys_change_back(browser: Browser, site: Site):
    house = site.houses["mill-lane"]
    context = browser.new_context(java_script_enabled=False)
    early, late = context.new_page(), context.new_page()
    for page in (early, late):
        page.goto(f"{site.url}/homes/mill-lane/settings")
    late.get_by_label("Horizon").fill("36")
    late.get_by_role("button", name="Store as a new version").click()
    early.get_by_label("People who live here").fill("3.5")
    early.get_by_role("button", name="Store as a new version").click()
    assert "new version" in (early.get_by_role("status").text_content() or "")
    assert (house.settings.tunables.horizon_h, house.settings.tunables.occupants) == (36, 3.5)
    stored = house.settings.version
    early.go_back()
    early.get_by_role("button", name="Store as a new version").click()
    assert "nothing was stored" in (early.get_by_role("status").text_content() or "")
    assert house.settings.version == stored
    context.close()


def test_wrong_settings_are_refused_beside_their_field(plain: Page, site: Site):
    plain.goto(f"{site.url}/homes/mill-lane/settings")
    was = site.houses["mill-lane"].settings
    fields = {"csrf": plain.locator("form.settings input[name=csrf]").input_value()}
    answer = plain.request.post(
        f"{site.url}/homes/mill-lane/settings",
        form={**fields, "learning.window_weeks": "500", "reserve_tenths": "3"},
    )
    assert answer.status == 422
    body = answer.text()
    assert "Nothing was stored." in body
    assert 'value="500"' in body
    assert "Learning window = 500: expected 104 or less." in body  # in the list, by its name
    assert '<span class="error">Expected 104 or less.</span>' in body  # and at the field
    assert site.houses["mill-lane"].settings == was


def test_what_is_broken_stands_before_what_is_only_odd(plain: Page, site: Site):
    for place in ("", "/care"):
        plain.goto(f"{site.url}/homes/forge-cottage{place}")
        said = plain.locator("main").text_content() or ""
        assert said.index("was asked to heat and does not") < said.index("is stuck at one value")


def test_a_fault_is_acknowledged_by_name(page: Page, site: Site):
    page.goto(f"{site.url}/homes/forge-cottage/care")
    count = page.get_by_role("button", name="I have seen this").count()
    page.get_by_role("button", name="I have seen this").first.click()
    assert "seen it" in (page.get_by_role("status").text_content() or "")
    assert page.get_by_role("button", name="I have seen this").count() == count - 1
    assert "Seen by somebody at this computer" in (page.locator("main").text_content() or "")


def sign_in(page: Page, site: Site, role: str) -> None:
    page.goto(f"{site.url}/homes/mill-lane/plant")
    assert page.url.startswith(f"{site.url}/sign-in?onward=")
    page.get_by_label("Access token").fill(site.tokens[role])
    page.get_by_role("button", name="Sign in").click()


def test_signing_in_leads_on_and_signing_out_ends_it(page: Page, locked_site: Site):
    sign_in(page, locked_site, "installer")
    assert page.url == f"{locked_site.url}/homes/mill-lane/plant"
    cookie = page.context.cookies()[0]
    assert cookie.get("httpOnly") is True
    assert cookie.get("sameSite") == "Strict"
    assert locked_site.tokens["installer"] not in str(cookie)
    page.get_by_role("button", name="Sign out").click()
    page.goto(f"{locked_site.url}/")
    assert page.url.startswith(f"{locked_site.url}/sign-in")


def test_a_form_sent_after_signing_out_leads_to_a_page_again(browser: Browser, locked_site: Site):
    site = locked_site
    context = browser.new_context(java_script_enabled=False)
    early, late = context.new_page(), context.new_page()

    def sign_in(page: Page) -> None:
        page.get_by_label("Access token").fill(site.tokens["household"])
        page.get_by_role("button", name="Sign in").click()

    early.goto(site.url)
    sign_in(early)
    late.goto(f"{site.url}/homes/mill-lane")
    early.get_by_role("button", name="Sign out").click()
    asked(site).clear()
    late.get_by_role("button", name="A tenth less").click()
    sign_in(late)
    expect(late.locator(".figures"), "the household's page").to_have_count(1)
    assert asked(site) == []
    context.close()


def test_a_wrong_token_is_refused_in_words(page: Page, locked_site: Site):
    page.goto(f"{locked_site.url}/sign-in")
    page.get_by_label("Access token").fill("ladle_notatoken")
    page.get_by_role("button", name="Sign in").click()
    assert "opens nothing here" in (page.get_by_role("alert").text_content() or "")
    assert page.get_by_label("Access token").input_value() == ""


@pytest.mark.parametrize("onward", ["//elsewhere.example", "https://elsewhere.example", "/\\x"])
def test_signing_in_never_leads_to_another_site(plain: Page, locked_site: Site, onward: str):
    answer = plain.request.post(
        f"{locked_site.url}/sign-in",
        form={"token": locked_site.tokens["reader"], "onward": onward},
        max_redirects=0,
    )
    assert answer.headers["location"] == "/"


def test_a_reader_may_look_and_not_change(plain: Page, locked_site: Site):
    sign_in(plain, locked_site, "reader")
    plain.goto(f"{locked_site.url}/")
    assert plain.get_by_role("button", name="A tenth more").count() == 0
    assert "look, not change" in (plain.locator("main").text_content() or "")
    csrf = plain.locator("footer input[name=csrf]").input_value()
    answer = plain.request.post(
        f"{locked_site.url}/homes/mill-lane/wishes", form={"csrf": csrf, "wish": "more"}
    )
    assert answer.status == 403
    assert "You may look, not change" in answer.text()
    plain.goto(f"{locked_site.url}/homes/forge-cottage")
    assert "may not look at this home" in (plain.locator("h1").text_content() or "")
    assert asked(locked_site) == []


def test_a_household_may_wish_and_not_set(plain: Page, locked_site: Site):
    sign_in(plain, locked_site, "household")
    plain.goto(f"{locked_site.url}/homes/mill-lane/settings")
    assert plain.get_by_label("Learning window").is_disabled()
    csrf = plain.locator("footer input[name=csrf]").input_value()
    answer = plain.request.post(
        f"{locked_site.url}/homes/mill-lane/settings",
        form={"csrf": csrf, "learning.window_weeks": "3"},
    )
    assert answer.status == 403
    assert "changed by an installer" in answer.text()
    plain.goto(f"{locked_site.url}/homes/mill-lane")
    plain.get_by_role("button", name="A tenth more").click()
    assert asked(locked_site)[-1][1].author == "Ines as household"  # type: ignore[attr-defined]


def test_a_form_from_elsewhere_does_nothing(plain: Page, locked_site: Site):
    sign_in(plain, locked_site, "installer")
    before = list(asked(locked_site))
    for csrf in ("", "guessed"):
        answer = plain.request.post(
            f"{locked_site.url}/homes/mill-lane/wishes", form={"csrf": csrf, "wish": "hold"}
        )
        assert answer.status == 403
        assert "out of date" in answer.text()
    assert asked(locked_site) == before


def test_a_page_that_is_not_there_says_so_and_leads_back(plain: Page, site: Site):
    answer = plain.goto(f"{site.url}/homes/mill-lane/attic")
    assert answer is not None
    assert answer.status == 404
    plain.get_by_role("link", name="To the first page").click()
    assert plain.url == f"{site.url}/"
    missing = plain.goto(f"{site.url}/homes/no-such-home")
    assert missing is not None
    assert missing.status == 404


def test_a_refresh_repeats_no_alert_and_leaves_alone_what_is_as_before(
    browser: Browser, site: Site
):
    """WAI-ARIA 1.2, alert: what is put in with that role is read aloud, whatever was being read."""
    context = browser.new_context()
    page = context.new_page()
    page.clock.install(time=NOW.timestamp())
    page.goto(f"{site.url}/homes/forge-cottage")
    house = site.houses["forge-cottage"]
    before = house.view
    assert before is not None
    alert = page.locator("#now [role=alert]")
    assert alert.count() == 1
    page.evaluate("document.querySelector('#now').same = true")

    def refreshed() -> None:
        with page.expect_response(f"{site.url}/homes/forge-cottage"):
            page.clock.run_for(21_000)

    refreshed()
    assert page.evaluate("document.querySelector('#now').same") is True
    house.view = replace(before, shown_tenths=1)
    refreshed()
    expect(page.locator(".figure b").first).to_have_text("1")
    assert alert.count() == 0
    assert page.locator("#now .caution").first.is_visible()
    house.view = replace(before, caution=None)
    refreshed()
    expect(page.locator(".figure b").first).not_to_have_text("1")
    house.view = before
    refreshed()
    page.wait_for_selector("#now [role=alert]")
    context.close()


def test_the_picture_follows_the_plan_by_itself(browser: Browser, site: Site):
    """With scripts, what is shown is fetched anew while nobody is typing in it."""
    context = browser.new_context()
    page = context.new_page()
    page.clock.install(time=NOW.timestamp())
    page.goto(f"{site.url}/homes/new-build")
    house, other = site.houses["new-build"], site.houses["mill-lane"]
    assert page.locator("svg.picture").count() == 0
    newborn = house.view
    house.view = other.view
    page.clock.run_for(21_000)
    page.wait_for_selector("svg.picture.wide", timeout=5000)
    house.view = newborn
    context.close()


def test_the_household_sees_who_may_look_and_shuts_one_out(browser: Browser, locked_site: Site):
    site = locked_site
    theirs, ours = (browser.new_context(viewport=PHONE).new_page() for _ in range(2))
    sign_in(theirs, site, "guest")
    sign_in(ours, site, "household")
    ours.get_by_role("link", name="Who may look at this home").click()
    assert "access tokens open this home" in (ours.locator("h1").text_content() or "")
    mine = ours.locator(".told li").filter(has_text="Ines as household")
    assert "the one you are signed in with" in (mine.text_content() or "")
    other = ours.locator(".told li").filter(has_text="Ines as installer")
    assert "opens other homes too" in (other.text_content() or "")
    assert other.get_by_role("button").count() == 0
    guest = ours.locator(".told li").filter(has_text="Ines as guest")
    guest.get_by_text("End this access").click()
    guest.get_by_role("button", name="End it for good").click()
    assert "shut out" in (ours.get_by_role("status").text_content() or "")
    assert guest.count() == 0
    ours.get_by_text("Ended: 1").click()
    assert "by Ines as household" in (ours.locator("main").text_content() or "")
    theirs.reload()
    assert "/sign-in" in theirs.url
    everything = ours.get_by_role("link", name="Take everything").get_attribute("href")
    assert everything == "/api/v1/homes/mill-lane/export"
    for page in (theirs, ours):
        page.context.close()


def test_a_reader_is_not_shown_who_may_look(plain: Page, locked_site: Site):
    sign_in(plain, locked_site, "reader")
    assert plain.get_by_role("link", name="Who may look").count() == 0
    answer = plain.goto(f"{locked_site.url}/homes/mill-lane/keys")
    assert answer is not None
    assert answer.status == 403
    assert "for the household" in (plain.locator("h1").text_content() or "")
