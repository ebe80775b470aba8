"""With the keyboard alone: every control is reached in the order of the page, and one sees where one is."""

CONTROLS = """() => {
  const all = "a[href], button, input, select, textarea, summary, [tabindex='0']";
  window.controls = [...document.querySelectorAll(all)].filter(e => e.checkVisibility() && !e.disabled)
    .filter(e => e.type !== "radio" || e.checked);
  return window.controls.length;
}"""
# WCAG 2.2, success criteria 2.4.7 (focus visible) and 2.4.13 (its outline at least 2 px)
FOCUS = """() => {
  const at = document.activeElement, style = getComputedStyle(at), box = at.getBoundingClientRect();
  return [window.controls.indexOf(at), style.outlineStyle !== "none" && parseFloat(style.outlineWidth) >= 2
    && style.outlineColor !== getComputedStyle(document.documentElement).backgroundColor,
    box.bottom > 0 && box.top < innerHeight];
}"""


def walk(page, n: int, key: str) -> list[tuple[int, bool, bool]]:
    """Press a key n times: at which control one is, whether that is marked, whether it is in view."""
    found = []
    for _ in range(n):
        page.keyboard.press(key)
        found.append(tuple(page.evaluate(FOCUS)))
    return found


def test_the_tab_key_reaches_every_control_in_order_and_shows_where_one_is(tab):
    page = tab.page
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    page.evaluate("document.activeElement.blur(); getSelection().removeAllRanges()")
    page.mouse.click(2, 2)
    n = page.evaluate(CONTROLS)
    there = walk(page, n, "Tab")
    back = walk(page, n - 1, "Shift+Tab")
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = false; })")
    assert n > 5
    assert [at for at, *_ in there] == list(range(n))
    assert [at for at, *_ in back] == list(range(n - 1))[::-1]
    assert [step for step in there + back if not all(step[1:])] == []


def test_the_arrow_keys_change_the_look(tab):
    page = tab.page
    page.focus("input[name=look]:checked")
    seen = []
    for _ in range(3):
        page.keyboard.press("ArrowRight")
        seen.append(page.evaluate("document.documentElement.dataset.look"))
    assert seen == ["red", "paper", "day"]


def test_a_link_of_the_questions_leads_to_its_section(tab):
    page = tab.page
    links = page.locator("nav a")
    for k in range(links.count()):
        target = links.nth(k).get_attribute("href")
        links.nth(k).focus()
        page.keyboard.press("Enter")
        page.wait_for_function("id => location.hash === id", arg=target)
        assert page.locator(target).count() == 1 and page.locator(f"{target} h2").is_visible()
    assert links.count() or page.locator("main h2").count() < 4
