"""The page of a plan: well formed, self-contained, safe from names, readable without drawing."""

from __future__ import annotations

import math
import re
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from plan_rigs import AMPLIFIERS, EARS, HEAD, LOUDSPEAKERS, MICROPHONES, STAGE, WHOLE, rig_of

from bridge.plan import canvas, drawing, marks
from bridge.plan.facts import plan_of
from bridge.plan.page import page
from bridge.rig.load import load_rig

RIGS = Path(__file__).parents[3] / "mappings" / "rigs"
SVG = "{http://www.w3.org/2000/svg}"
VOID = {"meta", "br", "hr", "img", "link", "input"}

HOSTILE = "</title><script>alert(1)</script><b x=\"'&amp;{{ 7 * 7 }}$\\\\frac{1}{2}$"
"""What somebody might call a voice: HTML, a template, a formula."""

PARTS = {
    "nothing": HEAD,
    "microphones alone": HEAD + STAGE + MICROPHONES,
    "loudspeakers alone": HEAD + STAGE + LOUDSPEAKERS,
    "ears alone": HEAD + STAGE + EARS,
    "amplifiers alone": HEAD + STAGE + AMPLIFIERS,
    "all": WHOLE,
}


class Reader(HTMLParser):
    """Reads a page and notes what does not nest."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.faults: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        self.faults += [f"{tag} is never closed" for tag in self.open]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open[-1] != tag:
            self.faults.append(f"{tag} closes {self.open[-1:]}")
        else:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] != "style":
            self.words.append(data)


@pytest.fixture(scope="module")
def whole() -> str:
    return page(plan_of(rig_of()))


def svg_of(text: str) -> ElementTree.Element:
    return ElementTree.fromstring(text[text.index("<svg") : text.index("</svg>") + 6])


@pytest.mark.parametrize("part", PARTS)
def test_every_tag_is_closed_where_it_belongs(part: str) -> None:
    text = page(plan_of(rig_of(PARTS[part])))
    assert Reader(text).faults == []
    assert ("<svg" in text) == (part not in ("nothing", "amplifiers alone"))


@pytest.mark.parametrize("rig", sorted(path.name for path in RIGS.glob("*.toml")))
def test_every_shipped_rig_has_a_page(rig: str) -> None:
    assert Reader(page(plan_of(load_rig(RIGS / rig)))).faults == []


def test_nothing_comes_from_outside_and_nothing_runs(whole: str) -> None:
    addresses = set(re.findall(r"https?:[^\"'\s<)]*", whole))
    assert addresses == {"http://www.w3.org/2000/svg"}
    tags = Reader(whole).tags
    assert not {tag for tag, _ in tags} & {"script", "link", "img", "iframe", "object", "image"}
    for tag, attributes in tags:
        assert not [name for name in attributes if name.startswith("on")], tag
        for name in ("href", "src", "xlink:href"):
            assert (attributes.get(name) or "#").startswith("#"), tag
    assert "@import" not in whole
    assert not re.search(r"url\((?!#)", whole)


def test_ids_are_used_once_and_every_reference_has_its_target(whole: str) -> None:
    ids = [attributes["id"] for _, attributes in Reader(whole).tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    wanted = set(re.findall(r'href="#([^"]+)"', whole)) | set(re.findall(r"url\(#([^)]+)\)", whole))
    assert wanted and wanted <= set(ids)


def test_hostile_names_are_text_everywhere() -> None:
    name = HOSTILE.replace("\\\\", "\\").replace('"', '\\"').replace("\\frac", "\\\\frac")
    fields = [("Maud, left", 1), ("Monitor rack 1", 1), ("Accordion", 1)]
    text = WHOLE
    for old, count in fields:
        assert text.count(f'label = "{old}"') == count
        text = text.replace(f'label = "{old}"', f'label = "{name[:60]}"')
    for old in ('name = "Ferry Lane, room 2"', 'name = "Maud"', 'label = "Tomas and Bela"'):
        text = text.replace(old, f'{old.split(" = ")[0]} = "<script>alert(2)</script>"')
    text = text.replace('connector = "plain jack"', 'connector = "<img src=x onerror=alert(3)>"')
    said = page(plan_of(rig_of(text)))
    read = Reader(said)
    assert read.faults == []
    assert not {tag for tag, _ in read.tags} & {"script", "img", "b x="}
    words = " ".join(read.words)
    assert "<script>alert(2)</script>" in words and "{{ 7 * 7 }}" in words
    assert "onerror=alert(3)" in words
    svg_of(said)  # the drawing is still XML


def test_a_formula_in_a_name_stays_as_it_is_written() -> None:
    text = WHOLE.replace('label = "Voice"', 'label = "$x^2$ & <i>"')
    svg = svg_of(page(plan_of(rig_of(text))))
    assert any("$x^2$ & <i>" in (each.text or "") for each in svg.iter(f"{SVG}text"))


@pytest.mark.parametrize("name", ["\u6b4c\u624b", "\u202eevil", "\U0001f3a4", "a" * 60])
def test_names_in_any_letters_are_drawn_without_a_word_on_standard_error(
    name: str, recwarn: pytest.WarningsRecorder
) -> None:
    said = page(plan_of(rig_of(WHOLE.replace('label = "Voice"', f'label = "{name}"'))))
    assert name in said and len(recwarn) == 0


def test_the_drawing_says_in_words_what_it_shows(whole: str) -> None:
    svg = svg_of(whole)
    assert svg.get("role") == "img" and svg.get("aria-label")
    kinds = [child.tag.removeprefix(SVG) for child in svg][:2]
    assert kinds == ["title", "desc"]
    titles = " ".join(each.text or "" for each in svg.iter(f"{SVG}title"))
    for key in ("M1 Bass drum", "M5 Voice", "W1 Maud, left", "W6", "E1 Ines", "in-ears from bus"):
        assert key in titles


def test_tables_say_what_the_drawing_says(whole: str) -> None:
    words = " ".join(Reader(whole).words)
    plan = plan_of(rig_of())
    for mic in plan.scene.microphones:
        assert mic.worst is not None
        figure = f"{mic.worst.coupling_db:.1f}".replace("-", "\u2212")
        assert words.count(figure) >= 2, mic.key  # in the drawing and in the table


def test_colours_are_the_pages_and_both_schemes_and_print_define_all_of_them(whole: str) -> None:
    svg = whole[whole.index("<svg") : whole.index("</svg>")]
    assert not re.search(r"#[0-9a-fA-F]{6}", svg)
    used = set(re.findall(r"var\(--(\w+)\)", whole))
    style = whole[whole.index("<style>") : whole.index("</style>")]
    light, rest = style.split("@media (prefers-color-scheme: dark)")
    dark, paper = rest.split("@media print")
    for scheme in (light, dark, paper):
        assert used <= set(re.findall(r"--(\w+):", scheme))


def contrast(one: str, other: str) -> float:
    """Contrast of two colours (WCAG 2.1, relative luminance)."""

    def light(colour: str) -> float:
        digits = colour.lstrip("#")
        digits = "".join(2 * d for d in digits) if len(digits) == 3 else digits
        parts = [int(digits[i : i + 2], 16) / 255.0 for i in (0, 2, 4)]
        flat = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * flat[0] + 0.7152 * flat[1] + 0.0722 * flat[2]

    high, low = sorted((light(one), light(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_every_ink_reads_on_its_paper_in_light_and_dark_and_print(whole: str) -> None:
    """WCAG 2.1, 1.4.3: 4.5 to 1 for text."""
    schemes = re.findall(r":root \{([^}]*)\}", whole)
    assert len(schemes) == 3
    for scheme in schemes:
        colours = dict(re.findall(r"--(\w+): (#[0-9a-f]+)", scheme))
        for name in ("ink", "mic", "box", "ear", "link"):
            assert contrast(colours[name], colours["paper"]) >= 4.5, (name, scheme)
        assert contrast(colours["ink"], colours["strong"]) >= 4.5
        assert contrast(colours["faint"], colours["paper"]) >= 3.0


def test_the_same_rig_gives_the_same_page(whole: str) -> None:
    assert page(plan_of(rig_of())) == whole


def test_estimates_are_called_so_and_never_measured(whole: str) -> None:
    words = " ".join(Reader(whole).words)
    assert "nothing here was measured" in " ".join(words.split())
    ears = whole[whole.index('<section id="ears">') :]
    assert ears.count("about ") >= 12 and "stimate" in ears


# -- the drawing's geometry ---------------------------------------------------------------------


@pytest.mark.parametrize("upstage_m", [3.1, 30.0])
def test_the_drawing_is_to_one_scale_in_both_directions_and_fits_the_sheet(
    upstage_m: float,
) -> None:
    text = WHOLE.replace("at = [0.2, 3.1, 0.4]", f"at = [0.2, {upstage_m}, 0.4]")
    sheet = canvas.sheet(plan_of(rig_of(text)).scene)
    wide, high = sheet.inches
    assert (sheet.right - sheet.left) / wide == pytest.approx((sheet.top - sheet.bottom) / high)
    assert wide * 25.4 <= canvas.WIDTH_MM + 1e-6 and high * 25.4 <= canvas.HEIGHT_MM + 1e-6


def test_the_scale_bar_is_as_long_as_it_says(whole: str) -> None:
    """2 m of a stage that is 180 mm wide on paper, in points of the drawing."""
    sheet = canvas.sheet(plan_of(rig_of()).scene)
    bar = 2.0 / sheet.metres_a_point
    level = re.findall(r'd="M ([\d.]+) ([\d.]+) \nL ([\d.]+) \2 \n"', whole)
    lengths = [abs(float(end) - float(start)) for start, _, end in level]
    assert any(length == pytest.approx(bar, abs=0.01) for length in lengths)
    assert "2 m" in whole


def test_a_lobe_is_whole_in_front_and_held_above_the_null_behind() -> None:
    mic = next(m for m in plan_of(rig_of()).scene.microphones if m.name == "Accordion")
    outline = marks.lobe(mic, 1.0)
    reach = [((x - mic.at.x) ** 2 + (y - mic.at.y) ** 2) ** 0.5 for x, y in outline]
    assert max(reach) == pytest.approx(1.0, abs=0.01)
    assert min(reach) == pytest.approx(1.0 - 25.0 / marks.range_db(mic), abs=0.02)
    front = outline[reach.index(max(reach))]
    assert front[1] > mic.at.y  # it looks upstage


def test_nulls_are_marked_where_the_pattern_has_them() -> None:
    mics = {m.name: m for m in plan_of(rig_of()).scene.microphones}
    ((_, end),) = marks.nulls(mics["Accordion"], 0.5)  # cardioid at azimuth 350: behind is 170
    angle = math.radians(170.0)
    assert end == pytest.approx((-1.8 + 0.5 * math.sin(angle), 1.3 + 0.5 * math.cos(angle)))
    assert len(marks.nulls(mics["Bass drum"], 0.5)) == 2  # supercardioid: both sides
    assert marks.nulls(mics["Cymbals"], 0.5) == []  # looks straight down


def test_stage_left_is_right_and_upstage_is_up() -> None:
    assert marks.turned(0.0, 1.0, 0.0) == pytest.approx((0.0, 1.0))  # upstage
    assert marks.turned(0.0, 1.0, 90.0) == pytest.approx((1.0, 0.0))  # stage left
    assert marks.turned(0.0, 1.0, 180.0) == pytest.approx((0.0, -1.0))  # the audience


def test_labels_never_lie_on_one_another_where_there_is_room() -> None:
    plan = plan_of(rig_of())
    drawn = drawing.Drawing(plan)
    drawn.draw()
    labels = drawn.room.taken[len(canvas.places(plan.scene)) :]
    for i, a in enumerate(labels):
        for b in labels[:i]:
            assert a[2] <= b[0] or a[0] >= b[2] or a[3] <= b[1] or a[1] >= b[3]
    assert drawn.unlabelled == 0
