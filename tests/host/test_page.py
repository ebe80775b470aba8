"""The page: one file that fetches nothing, runs only its own scripts, and says only what the facts say."""

import base64
import hashlib
import json
import re
from html.parser import HTMLParser

import pytest
from duskgate.report.facts import night_facts
from duskgate.report.page import night_page
from duskgate.report.whole_page import json_for_script, packed, script_safe
from plotly.offline import get_plotlyjs

from tests.host.sample_night import LOG, SITE, nothing_night, problems, sample_night, sample_sky

HOSTILE = "</script><script>alert(1)</script><img src=x onerror=alert(2)> \u2028 {{ 7*7 }} \"'&"


def page_of(night, site=SITE, **log):
    facts = night_facts(night, site, sample_sky(), LOG | log)
    return facts, night_page(facts, night.tables)


def without_library(page: str) -> str:
    library = get_plotlyjs()
    assert page.count(library) == 1, "the library is embedded once, byte for byte"
    return page.replace(library, "")


class Reader(HTMLParser):
    """Collects visible text, attributes, script bodies and the order of headings."""

    def __init__(self):
        super().__init__()
        self.text, self.scripts, self.levels, self.attributes, self._inside = [], [], [], [], None

    def handle_starttag(self, tag, attrs):
        self._inside = tag if tag in ("script", "style") else None
        self.attributes += [(tag, *a) for a in attrs]
        if tag == "script":
            self.scripts.append([dict(attrs), ""])
        if re.fullmatch(r"h[1-6]", tag):
            self.levels.append(int(tag[1]))

    def handle_endtag(self, tag):
        self._inside = None

    def handle_data(self, data):
        if self._inside == "script":
            self.scripts[-1][1] += data
        elif self._inside is None and data.strip():
            self.text.append(" ".join(data.split()))


def read(page: str) -> Reader:
    reader = Reader()
    reader.feed(page)
    return reader


@pytest.fixture(scope="module")
def busy():
    return page_of(sample_night(), problems=problems(2))


def test_the_page_names_no_address_outside_itself(busy):
    own = without_library(busy[1])
    assert not re.search(r"https?:|//[a-z0-9-]+\.[a-z]|\bsrc=|@import|url\(", own)
    links = [value for _, name, value in read(own).attributes if name == "href"]
    assert links and all(link.startswith("#") for link in links)


def test_the_policy_lets_exactly_the_two_embedded_scripts_run(busy):
    reader = read(busy[1])
    policy = next(v for tag, name, v in reader.attributes if tag == "meta" and name == "content" and "default-src" in v)
    assert policy.startswith("default-src 'none'; script-src 'sha256-") and "unsafe-inline" not in policy.split(";")[1]
    running = [body for attrs, body in reader.scripts if "type" not in attrs]
    hashes = {base64.b64encode(hashlib.sha256(body.encode()).digest()).decode() for body in running}
    assert len(running) == 2 and set(re.findall(r"sha256-([^']+)", policy)) == hashes
    assert not [a for a in reader.attributes if a[1].startswith("on")], "no handlers in attributes"


def test_size_and_language_and_headings(busy):
    assert len(busy[1].encode()) < 6_000_000
    reader = read(busy[1])
    assert ("html", "lang", "en") in reader.attributes
    assert reader.levels[0] == 1 and reader.levels.count(1) == 1
    assert all(b - a <= 1 for a, b in zip(reader.levels, reader.levels[1:], strict=False)), "no level is skipped"


def test_every_number_on_the_page_is_in_the_facts(busy):
    facts, page = busy
    known = json.dumps(facts, ensure_ascii=False) + " " + " ".join(str(v) for v in facts["night"].values())
    known = " ".join(known.replace('\\"', '"').split())
    for text in read(page).text:
        for word in re.findall(r"[\d.,:\u00a0-]*\d", text):
            assert word.strip("-") in known, f"{word!r} of {text!r} is not in the facts"


def test_every_sentence_of_the_facts_that_belongs_on_the_page_is_there(busy):
    facts, page = busy
    text = " ".join(read(page).text)
    said = [*facts["answer"], *facts["partial"], *(t["what"] for t in facts["tonight"]), *facts["limits"]]
    said += [f["title"] for f in facts["figures"].values()] + [f["note"] for f in facts["figures"].values()]
    said += [c["text"] for c in facts["cautions"]] + [m["source"] for m in facts["methods"]]
    assert [s for s in said if " ".join(s.split()) not in text] == []
    assert "4096" in text and "Damaged places, with offsets" in text


def test_questions_stand_in_the_order_of_the_guide(busy):
    text = " ".join(read(busy[1]).text)
    body = text[text.index("Is the log sound?") + 10 :]
    order = [body.index(s["question"]) for s in busy[0]["sections"]]
    assert order == sorted(order)


def test_each_figure_has_words_and_a_table_for_those_who_cannot_see_it(busy):
    facts, page = busy
    reader = read(page)
    labels = [v for _, name, v in reader.attributes if name == "aria-label"]
    ids = [v for _, name, v in reader.attributes if name == "id"]
    for name, figure in facts["figures"].items():
        assert figure["alt"] in labels and f"table-{name}" in ids and figure["table"]["rows"]


def test_hostile_text_from_files_and_devices_stays_text():
    night = sample_night(30)
    for table, column in (("notes", "text"), ("gaps", "detail"), ("boots", "firmware"), ("boots", "interpreter")):
        night.tables[table][column] = HOSTILE
    night.tables["breaks"]["reason"] = HOSTILE
    site = type(SITE)(**{**vars(SITE), "name": HOSTILE})
    bad = problems(1)
    bad["file"], bad["what"] = HOSTILE, HOSTILE
    facts, page = page_of(night, site, problems=bad, files=[HOSTILE])
    reader = read(page)
    assert facts["site"]["name"] == HOSTILE.replace(" \u2028 ", " ")
    assert len(reader.scripts) == 4, "two of data, the library, our own"
    assert not any(tag == "img" for tag, *_ in reader.attributes)
    assert "49" not in re.findall(r"\b49\b", " ".join(t for t in reader.text if "alert" in t))
    figures = json.loads(next(body for attrs, body in reader.scripts if attrs.get("id") == "figures"))
    assert set(figures) == set(facts["figures"])
    told = json.dumps(figures)
    assert "<script>" not in told and "<img" not in told, "plotly reads tags in texts: they are escaped there too"


def test_hidden_signs_are_shown_as_marks_everywhere_on_the_page():
    night = sample_night(30)
    facts = night_facts(night, SITE, sample_sky(), LOG)
    facts["site"]["name"] = facts["limits"][0] = facts["methods_table"]["rows"][0][0] = "a\u202eb\x1b\u200b"
    first = next(iter(facts["figures"].values()))
    first["alt"] = first["table"]["caption"] = "c\u2066d"
    page = night_page(facts, night.tables)
    assert page.count("a&lt;U+202E&gt;b&lt;U+001B&gt;&lt;U+200B&gt;") >= 4 and page.count("c&lt;U+2066&gt;d") >= 2
    assert not set("\u202e\u2066\u200b\x1b") & set(without_library(page))
    assert packed({"text": ["e\u202ef"]}) == {"text": ["e<U+202E>f"]}


def test_styles_may_come_in_elements_but_not_in_attributes(busy):
    assert "style-src &#39;unsafe-inline&#39;; style-src-attr &#39;none&#39;" in busy[1]
    assert not [a for a in read(busy[1]).attributes if a[1] == "style"]


def test_json_cannot_leave_its_element_and_reads_back():
    text = json_for_script({"a": HOSTILE})
    assert not set("<>&\u2028") & set(text) and json.loads(text) == {"a": HOSTILE}


@pytest.mark.parametrize("code", ["x</SCRIPT >", "<!-- x", "'<script'"])
def test_a_script_that_would_end_its_element_is_refused(code):
    with pytest.raises(ValueError, match="end or upset"):
        script_safe(code)


@pytest.mark.parametrize("kind", ["empty", "nothing", "no light", "unknown clock"])
def test_pages_of_odd_nights_are_made(kind):
    night = {
        "empty": lambda: sample_night(0),
        "nothing": nothing_night,
        "no light": lambda: sample_night(flash=False),
        "unknown clock": lambda: sample_night(clock="unknown"),
    }[kind]()
    facts, page = page_of(night)
    assert facts["answer"][0] in " ".join(read(page).text)
    assert "nan" not in " ".join(read(page).text).lower().replace("finance", "").split()


def test_a_night_of_a_hundred_thousand_breaks_fits_a_page_and_says_that_marks_are_thinned():
    night = sample_night(33_400)
    facts, page = page_of(night)
    assert len(night.tables["breaks"]) > 99_000 and len(page.encode()) < 6_000_000
    for name in ("visits", "delay", "misses"):
        assert facts["figures"][name]["draw_every"] > 1 and " is drawn, as more than 1500 would" in page
