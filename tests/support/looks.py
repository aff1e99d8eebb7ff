"""What is looked for on every page and in every state of it."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import axe_core_python

from .chromium import Tab

TARGET_PX = 48
"""Smallest side of what a thumb in a glove meets: Material and WCAG 2.2 (2.5.5, 44 px) are near."""

AXE = Path(axe_core_python.__file__).parent / "axe.min.js"

RULES = """axe.run(document, {resultTypes: ['violations'], preload: false}).then(
  (found) => found.violations.map(
  (one) => one.id + ': ' + one.nodes.map((n) => n.html.slice(0, 160) + ' ' + n.failureSummary)
  .slice(0, 3).join(' | ')))"""

SMALL_TARGETS = f"""[...document.querySelectorAll(
    'button, input, select, textarea, summary, a[href], [role=slider]')]
  .filter((e) => e.checkVisibility())
  .map((e) => [e, e.getBoundingClientRect()])
  .filter(([e, b]) => !(b.width >= {TARGET_PX} - 0.01 && b.height >= {TARGET_PX} - 0.01))
  .map(([e, b]) => e.outerHTML.slice(0, 120) + ' ' + b.width + ' x ' + b.height)"""
"""Elements that a hand may want to touch and that are too small."""

TOO_WIDE = """(() => {
  const wide = WIDTH, found = [];
  const page = document.scrollingElement;
  if (page.scrollWidth > wide) found.push('the page is ' + page.scrollWidth + ' px wide');
  if (innerWidth !== wide) found.push('the window became ' + innerWidth + ' px wide');
  for (const e of document.querySelectorAll('body *')) {
    if (!e.checkVisibility()) continue;
    const b = e.getBoundingClientRect(), style = getComputedStyle(e);
    if (b.width > 1 && (b.left < -0.5 || b.right > wide + 0.5) && !e.closest('.cells, .away'))
      found.push(e.outerHTML.slice(0, 120) + ' reaches from ' + b.left + ' to ' + b.right);
    if (e.scrollWidth > e.clientWidth + 1 && ['auto', 'scroll'].includes(style.overflowX))
      found.push(e.outerHTML.slice(0, 120) + ' must be scrolled sideways');
  }
  return found; })()"""
"""What does not fit between the left and the right edge."""

CUT_OFF = """[...document.querySelectorAll('button, h1, h2, h3, p, li, label, .bubble')]
  .filter((e) => e.checkVisibility() && !e.closest('.away, .cell, .bar'))
  .filter((e) => e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflowX !== 'visible'
    || e.matches('button') && (e.scrollWidth > e.offsetWidth || e.scrollHeight > e.offsetHeight))
  .map((e) => e.outerHTML.slice(0, 120))"""
"""Words that are cut off, or that stand out of their button."""


@cache
def _axe() -> str:
    return AXE.read_text(encoding="utf-8") + "; undefined"


async def axe_findings(tab: Tab) -> list[str]:
    """What axe-core finds; the page's policy does not bind the DevTools."""
    if not await tab.js("typeof axe === 'object'"):
        await tab.js(_axe())
    return list(await tab.js(RULES))


async def shape_findings(tab: Tab) -> list[str]:
    """Targets that are too small, and what does not fit into the window."""
    found = []
    for name, code in (("small", SMALL_TARGETS), ("wide", TOO_WIDE), ("cut off", CUT_OFF)):
        found += [f"{name}: {one}" for one in await tab.js(code.replace("WIDTH", str(tab.width)))]
    return found


async def all_findings(tab: Tab, state: str, *, axe: bool) -> list[str]:
    """Everything that is wrong with a page in a state."""
    found = await shape_findings(tab) + (await axe_findings(tab) if axe else [])
    return [f"{state}: {one}" for one in found]
