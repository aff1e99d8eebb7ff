"""The stage from above, to scale, as an SVG that a page takes into itself. I/O.

Colours stand in the drawing as marks that are exchanged for the page's own, so that it reads in
print and in the dark; what they say, shapes and letters say too.
"""

from __future__ import annotations

import html
import io
import re
import warnings
from typing import Any

import matplotlib
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon

from bridge.plan import canvas, marks, words
from bridge.plan.canvas import Room, Sheet
from bridge.plan.facts import Plan
from bridge.plan.scene import Listener, Loudspeaker, Microphone

INK, PAPER, FAINT = "#010203", "#fdfcfb", "#8a8b8c"
MIC, BOX, EAR, LINK = "#11223a", "#33221a", "#11332a", "#55112a"
COLOURS = {INK: "ink", PAPER: "paper", FAINT: "faint", MIC: "mic", BOX: "box", EAR: "ear",
           LINK: "link"}  # fmt: skip
"""Marks in the drawing and the names of the page's colours."""

SMALL, TINY = 6.6, 5.8
NAMES_MOST = 30
"""With more things on the plan their names would hide it: keys alone, and the tables have names."""

NAME_LETTERS = 20
HEAD_M = 0.12
REACH_M = 1.1
"""How far axes and coverages are drawn, m."""

SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "foldbridge",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "text.usetex": False,
    "path.simplify": False,
}


class Drawing:
    """One plan being drawn.

    Attributes:
        titles: What each part says when it is pointed at, by the part's id.
        unlabelled: How many couplings found no room for their figure.
    """

    def __init__(self, plan: Plan) -> None:
        self.plan, self.stage = plan, plan.scene
        self.sheet: Sheet = canvas.sheet(plan.scene)
        self.room = Room(self.sheet)
        self.titles: dict[str, str] = {}
        self.unlabelled = 0
        self.figure = Figure(figsize=self.sheet.inches)
        FigureCanvasSVG(self.figure)
        self.axes: Axes = self.figure.add_axes((0.0, 0.0, 1.0, 1.0))
        self.axes.set_xlim(self.sheet.left, self.sheet.right)
        self.axes.set_ylim(self.sheet.bottom, self.sheet.top)
        self.axes.axis("off")
        self.figure.patch.set_alpha(0.0)
        self.lobe_m = canvas.lobe_m([mic.at for mic in self.stage.microphones])
        parts = (self.stage.microphones, self.stage.loudspeakers, self.stage.listeners)
        self.named = sum(map(len, parts)) <= NAMES_MOST

    def draw(self) -> None:
        """Everything, from the ground up."""
        self._ground()
        for at in canvas.places(self.stage):
            self.room.take(at.x, at.y, 0.16)
        for box in self.stage.loudspeakers:
            self._loudspeaker(box)
        for mic in self.stage.microphones:
            self._microphone(mic)
        for listener in self.stage.listeners:
            self._listener(listener)
        for box in self.stage.loudspeakers:
            self._label(box.key, box.name, (box.at.x, box.at.y), 0.3, BOX)
        for listener in self.stage.listeners:
            self._label(listener.key, listener.name, (listener.at.x, listener.at.y), 0.2, EAR)
        for mic in self.stage.microphones:
            self._label(mic.key, mic.name, (mic.at.x, mic.at.y), 0.16, MIC)
        for mic in self.stage.microphones:
            self._coupling(mic)

    # -- the ground -----------------------------------------------------------------------------

    def _ground(self) -> None:
        sheet, size = self.sheet, SMALL * self.sheet.metres_a_point
        step = (
            1 if sheet.right - sheet.left <= 16.0 else 2 if sheet.right - sheet.left <= 40 else 10
        )
        for x in range(int(sheet.left // step) * step, int(sheet.right) + 1, step):
            if sheet.left + 4 * size < x < sheet.right - 4 * size:
                self._line([x, x], [sheet.bottom + 3 * size, sheet.top - 2.4 * size], FAINT,
                           width=0.35, style=":")  # fmt: skip
                self._text(x, sheet.bottom + 2.3 * size, f"{x:g}".replace("-", words.MINUS), TINY)
        for y in range(int(sheet.bottom // step) * step, int(sheet.top) + 1, step):
            if sheet.bottom + 3.5 * size < y < sheet.top - 2.4 * size:
                self._line([sheet.left + 3 * size, sheet.right - 2 * size], [y, y], FAINT,
                           width=0.35, style=":")  # fmt: skip
                self._text(sheet.left + 2.2 * size, y, f"{y:g}".replace("-", words.MINUS), TINY)
        self._directions(size)
        self._scale_bar(size)

    def _directions(self, size: float) -> None:
        sheet, middle = self.sheet, (self.sheet.left + self.sheet.right) / 2.0
        high = (sheet.bottom + sheet.top) / 2.0
        down, up = "\u25bc  AUDIENCE  \u25bc", "UPSTAGE"
        self._text(middle, sheet.bottom + 0.9 * size, down, SMALL, weight="bold")
        self._text(middle, sheet.top - 1.0 * size, up, SMALL, weight="bold")
        self._text(sheet.left + 0.9 * size, high, "STAGE RIGHT", SMALL, weight="bold", turn=90)
        self._text(sheet.right - 0.9 * size, high, "STAGE LEFT", SMALL, weight="bold", turn=270)

    def _scale_bar(self, size: float) -> None:
        length = canvas.bar_m(self.sheet.right - self.sheet.left)
        end, y = self.sheet.right - 2.5 * size, self.sheet.bottom + 1.1 * size
        start = end - length
        self._line([start, end], [y, y], INK, width=1.4)
        for x in (start, end):
            self._line([x, x], [y - 0.3 * size, y + 0.3 * size], INK, width=1.0)
        self._text(start - 1.8 * size, y, f"{length:g} m", SMALL, weight="bold")

    # -- what stands there ----------------------------------------------------------------------

    def _loudspeaker(self, box: Loudspeaker) -> None:
        about = f"{box.key} {box.name}: {box.kind}, bus {box.bus}, axis to " \
                f"{words.aim(box.azimuth_deg, box.elevation_deg)}, " \
                f"{box.coverage_deg:g}\u00b0 between its \u22126 dB edges"  # fmt: skip
        reach = Polygon(marks.coverage(box, REACH_M), closed=True, facecolor=BOX, alpha=0.08,
                        edgecolor="none", zorder=1)  # fmt: skip
        edges = Polygon(marks.coverage(box, REACH_M), closed=True, fill=False, edgecolor=BOX,
                        linewidth=0.5, linestyle=(0, (4, 2)), zorder=1.5)  # fmt: skip
        self._add(reach)
        self._add(edges)
        ends = marks.axis(box, REACH_M)
        if ends is not None:
            arrow = {"arrowstyle": "-|>", "color": BOX, "linewidth": 0.7, "shrinkA": 0,
                     "shrinkB": 0, "mutation_scale": 6}  # fmt: skip
            self.axes.annotate("", xy=ends[1], xytext=ends[0], zorder=2, annotation_clip=False,
                               arrowprops=arrow)  # fmt: skip
        shape = Polygon(marks.body(box), closed=True, facecolor=PAPER, edgecolor=BOX,
                        linewidth=1.3 if box.active else 0.9, zorder=4)  # fmt: skip
        self._add(shape, box.key, about)

    def _microphone(self, mic: Microphone) -> None:
        about = f"{mic.key} {mic.name}: {mic.pattern}, front to " \
                f"{words.aim(mic.azimuth_deg, mic.elevation_deg)}"  # fmt: skip
        self._add(Circle((mic.at.x, mic.at.y), self.lobe_m, fill=False, edgecolor=FAINT,
                         linewidth=0.3, linestyle=(0, (1, 2)), zorder=2.5))  # fmt: skip
        self._add(Polygon(marks.lobe(mic, self.lobe_m), closed=True, facecolor=MIC, alpha=0.10,
                          edgecolor="none", zorder=3))  # fmt: skip
        outline = Polygon(marks.lobe(mic, self.lobe_m), closed=True, fill=False, edgecolor=MIC,
                          linewidth=0.8, zorder=3.1)  # fmt: skip
        self._add(outline, mic.key, about)
        for (x0, y0), (x1, y1) in marks.nulls(mic, self.lobe_m):
            self._line([x0, x1], [y0, y1], MIC, width=0.7, style=(0, (1, 1.4)), order=3.2)
            self.axes.plot([x1], [y1], linestyle="none", color=MIC, marker="D", markersize=2.4,
                           markerfacecolor=PAPER, markeredgecolor=MIC, markeredgewidth=0.6,
                           zorder=3.3)  # fmt: skip
        self._add(Circle((mic.at.x, mic.at.y), 0.045, facecolor=MIC, edgecolor=PAPER,
                         linewidth=0.4, zorder=5))  # fmt: skip
        if not marks.is_steep(mic):
            dx, dy = marks.turned(0.0, 0.16, mic.azimuth_deg)
            self._line([mic.at.x, mic.at.x + dx], [mic.at.y, mic.at.y + dy], MIC, width=1.3,
                       order=4.9)  # fmt: skip

    def _listener(self, listener: Listener) -> None:
        about = f"{listener.key} {listener.name}"
        if listener.in_ears:
            about += f", in-ears from bus {listener.in_ears}"
        for side in (-1, 1):
            spot = listener.at.x + side * HEAD_M, listener.at.y
            self._add(Circle(spot, 0.045, facecolor=EAR if listener.in_ears else PAPER,
                             edgecolor=EAR, linewidth=0.8, zorder=4.4))  # fmt: skip
        head = Circle((listener.at.x, listener.at.y), HEAD_M, facecolor=PAPER, edgecolor=EAR,
                      linewidth=1.0, zorder=4.5)  # fmt: skip
        self._add(head, listener.key, about)

    def _coupling(self, mic: Microphone) -> None:
        """The line to the loudspeaker that a microphone hears most of, with its figure."""
        worst = mic.worst
        if worst is None:
            return
        box = next(each for each in self.stage.loudspeakers if each.key == worst.loudspeaker)
        here, there = mic.at, box.at
        self._line([here.x, there.x], [here.y, there.y], LINK, width=0.6, style=(0, (6, 2, 1, 2)),
                   order=2.2)  # fmt: skip
        said = words.db(worst.coupling_db)
        shares = (0.5, 0.42, 0.58, 0.34, 0.66, 0.27, 0.73, 0.2, 0.8)
        spots = [(here.x + s * (there.x - here.x), here.y + s * (there.y - here.y))
                 for s in shares]  # fmt: skip
        spot = self.room.find(said, TINY, spots)
        if spot is None:
            self.unlabelled += 1
            return
        self._text(*spot, said, TINY, colour=LINK, back=True)

    # -- strokes --------------------------------------------------------------------------------

    def _label(
        self, key: str, name: str, at: tuple[float, float], away: float, colour: str
    ) -> None:
        short = name if len(name) <= NAME_LETTERS else name[: NAME_LETTERS - 1] + "\u2026"
        text = f"{key} {short}" if self.named else key
        spots = self.room.around(*at, text, SMALL, away)
        spot = self.room.find(text, SMALL, spots)
        if spot is None and self.named:
            text = key
            spot = self.room.find(text, SMALL, self.room.around(*at, text, SMALL, away))
        x, y = spot or spots[0]
        self._text(x, y, text, SMALL, colour=colour, weight="bold", back=True)

    def _add(self, patch: Polygon | Circle, key: str = "", about: str = "") -> None:
        self.axes.add_patch(patch)
        if key:
            self._say(patch, key, about)

    def _say(self, artist: Artist, key: str, about: str) -> None:
        artist.set_gid(f"plan-{key}")
        self.titles[f"plan-{key}"] = about

    def _line(self, xs: list[float], ys: list[float], colour: str, *, width: float,
              style: object = "-", order: float = 0.5) -> None:  # fmt: skip
        self.axes.plot(xs, ys, color=colour, linewidth=width, linestyle=style,
                       zorder=order, solid_capstyle="butt")  # fmt: skip

    def _text(self, x: float, y: float, text: str, points: float, **style: Any) -> None:
        """A text around its middle: ``colour``, ``weight``, ``turn`` degrees, ``back``ground."""
        colour, back = style.get("colour", INK), style.get("back", False)
        weight, turn = style.get("weight", "normal"), style.get("turn", 0.0)
        box = {"facecolor": PAPER, "edgecolor": "none", "pad": 0.6, "alpha": 0.85} if back else None
        # Names are no formulas, whatever stands between two dollar signs in them.
        self.axes.text(x, y, text, fontsize=points, color=colour, weight=weight, rotation=turn,
                       ha="center", va="center", zorder=8, bbox=box, parse_math=False)  # fmt: skip


def stage_svg(plan: Plan) -> tuple[str, int]:
    """The stage of a plan as an ``svg`` element, and how many couplings have no figure in it.

    Returns:
        Text that a page may take in as it is: names in it are escaped; it asks for nothing from
        outside.
    """
    with matplotlib.rc_context(SETTINGS), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a name in letters that the measuring font lacks
        drawing = Drawing(plan)
        drawing.draw()
        text = _svg(drawing.figure)
    return _dressed(text, drawing.titles, _description(plan)), drawing.unlabelled


def _svg(figure: Figure) -> str:
    said = io.StringIO()
    figure.savefig(said, format="svg")
    return said.getvalue()


def _description(plan: Plan) -> str:
    stage = plan.scene
    count = f"{len(stage.microphones)} microphones, {len(stage.loudspeakers)} loudspeakers and " \
            f"{len(stage.listeners)} listeners"  # fmt: skip
    return f"{count}, seen from above: stage left is right, upstage is up, the audience is " \
           "below. The tables after the drawing say the same in words and figures."  # fmt: skip


def _dressed(text: str, titles: dict[str, str], description: str) -> str:
    """The bare ``svg`` element, in the page's colours, with words for those who do not see it."""
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    head, rest = text.split(">", 1)
    box = re.search(r'viewBox="[^"]*"', head)
    assert box is not None, "a drawing has a size"
    names = f"<title>Stage from above</title><desc>{html.escape(description)}</desc>"
    rest = rest.replace("xlink:href", "href")
    for key, about in titles.items():
        mark = f'<g id="{key}">'
        rest = rest.replace(mark, f"{mark}<title>{html.escape(about)}</title>", 1)
    for colour, name in COLOURS.items():
        rest = rest.replace(colour, f"var(--{name})")
    start = f'<svg xmlns="http://www.w3.org/2000/svg" {box[0]} role="img" class="stage" ' \
            'aria-label="Stage from above">'  # fmt: skip
    return start + names + rest
