"""What a page looks like, measured: where each text and each target stands, in which colours. In CSS pixels.

Boxes, not pixels: another release of the browser draws a letter otherwise, and puts it in the same place.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

from playwright.sync_api import Page

TARGET: Final = 44
"""CSS pixels of a side of whatever can be tapped: WCAG 2.2, success criterion 2.5.5 (AAA); 2.5.8 (AA) wants 24."""
_SLACK: Final = 1.0
"""CSS pixels by which boxes may meet: they are rounded."""

_MEASURE: Final = r"""
tones_too => {
  const canvas = document.createElement("canvas").getContext("2d", {willReadFrequently: true});
  const known = new Map(), styles = new Map(), shown = new Map(), apart = new Map();
  const kept = (map, key, make) => { if (!map.has(key)) map.set(key, make(key)); return map.get(key); };
  const styleOf = element => kept(styles, element, each => getComputedStyle(each));
  const bytes = text => kept(known, text, each => {
    canvas.clearRect(0, 0, 1, 1);
    canvas.fillStyle = each;
    canvas.fillRect(0, 0, 1, 1);
    const [r, g, b, a] = canvas.getImageData(0, 0, 1, 1).data;
    return [r, g, b, a / 255];
  });
  const seen = element => kept(shown, element, each =>
    each.checkVisibility({opacityProperty: true, visibilityProperty: true}));
  const path = element => {
    const part = element.closest("[data-part]"), id = element.id ? "#" + element.id : "";
    return (part ? part.dataset.part + " " : "") + element.tagName.toLowerCase() + id;
  };
  const box = rect => [rect.left + scrollX, rect.top + scrollY, rect.right + scrollX, rect.bottom + scrollY];
  const dialog = document.querySelector("dialog:modal"), root = dialog || document.body;
  const hidden = element => element !== null && element !== document.body && kept(apart, element, each => {
    const style = styleOf(each);  // for a screen reader alone
    return (each.clientWidth <= 1 && each.clientHeight <= 1 && style.position === "absolute")
      || style.clipPath === "inset(50%)" || hidden(each.parentElement);
  });
  const layers = element => {
    const found = [];
    for (let each = element; each; each = each.parentElement) {
      const style = styleOf(each);
      found.push([bytes(style.backgroundColor), Number(style.opacity), style.backgroundImage !== "none"]);
      if (each === dialog) break;
    }
    return found;
  };
  scrollTo({top: 0, left: 0, behavior: "instant"});  // what sticks lies over nothing there
  const texts = [], walker = document.createTreeWalker(root, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const element = node.parentElement;
    if (!node.data.trim() || ["SCRIPT", "STYLE", "NOSCRIPT", "OPTION"].includes(element.tagName)) continue;
    if (!seen(element) || hidden(element)) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    const style = styleOf(element);
    const control = element.closest("button,a[href],input,select,textarea,summary,label");
    texts.push({
      text: node.data.trim(), where: path(element), boxes: [...range.getClientRects()].map(box),
      within: control ? box(control.getBoundingClientRect()) : null,
      part: element.closest("[data-part]") ? box(element.closest("[data-part]").getBoundingClientRect()) : null,
      color: bytes(style.color), layers: layers(element), size: parseFloat(style.fontSize),
      bold: Number(style.fontWeight) >= 700, off: Boolean(element.closest(":disabled")),
    });
  }
  const cut = [];
  for (const element of root.querySelectorAll("*")) {
    if (!seen(element) || hidden(element) || !element.textContent.trim()) continue;
    const style = styleOf(element);
    const x = style.overflowX !== "visible" && element.scrollWidth > element.clientWidth + 1;
    const y = ["hidden", "clip"].includes(style.overflowY) && element.scrollHeight > element.clientHeight + 1;
    if ((x || y) && element !== document.documentElement && style.display !== "inline") cut.push(path(element));
    if (style.textOverflow === "ellipsis" || style.webkitLineClamp !== "none") cut.push(path(element) + " (shortened)");
  }
  const targets = [];
  for (const element of root.querySelectorAll("button,a[href],input,select,textarea,summary,[role=button]")) {
    if (!seen(element) || hidden(element)) continue;
    targets.push({where: path(element) + " " + element.textContent.trim(), box: box(element.getBoundingClientRect())});
  }
  const tones = [];
  for (const element of tones_too ? [document.body, ...root.querySelectorAll("*")] : []) {
    if (!seen(element) || hidden(element)) continue;
    const style = styleOf(element), own = [["background", style.backgroundColor]];
    if ([...element.childNodes].some(node => node.nodeType === 3 && node.data.trim())) own.push(["text", style.color]);
    for (const side of ["Top", "Right", "Bottom", "Left"])
      if (parseFloat(style[`border${side}Width`]) && style[`border${side}Style`] !== "none")
        own.push(["border", style[`border${side}Color`]]);
    for (const pseudo of ["::before", "::after"]) {
      const drawn = getComputedStyle(element, pseudo);
      if (drawn.content !== "none") own.push([pseudo, drawn.backgroundColor], [pseudo, drawn.color]);
    }
    if (element instanceof SVGElement) own.push(["stroke", style.stroke], ["fill", style.fill]);
    for (const [what, color] of own) tones.push([path(element) + " " + what, bytes(color)]);
  }
  const parts = [...document.querySelectorAll("[data-part]")].filter(seen).map(
    each => [each.dataset.part, box(each.getBoundingClientRect())]);
  return {texts, cut, targets, tones, parts, width: document.documentElement.clientWidth,
    scroll: document.documentElement.scrollWidth,
    good: bytes(getComputedStyle(document.documentElement).getPropertyValue("--good")),
    dark: matchMedia("(prefers-color-scheme: dark)").matches};
}
"""
Box = tuple[float, float, float, float]
"""Left, top, right, bottom."""
Colour = tuple[float, float, float]
"""Red, green, blue, each of 0 to 255."""


@dataclass(frozen=True)
class Measured:
    """What was found, by the script above."""

    found: dict[str, Any]

    @property
    def parts(self) -> list[tuple[str, Box]]:
        """The parts that are seen, in their order in the document, each with its box."""
        return [(key, tuple(box)) for key, box in self.found["parts"]]

    @property
    def texts(self) -> list[str]:
        """Every text that is seen."""
        return [each["text"] for each in self.found["texts"]]

    def faults_of_layout(self) -> list[str]:
        """What is too wide, cut off, written over something else, or too small to tap. Empty: nothing."""
        found = list(self._too_wide())
        found += [f"cut off: {each}" for each in self.found["cut"]]
        found += self._outside()
        found += self._overlapping()
        found += self._small_targets()
        return found

    def faults_of_contrast(self) -> list[str]:
        """Texts whose contrast is less than WCAG 2.2 wants at level AA (1.4.3). Empty: none."""
        found = []
        for text in self.found["texts"]:
            if text["off"]:  # "part of an inactive user interface component"
                continue
            large = text["size"] >= 24 or (text["bold"] and text["size"] >= 18.66)  # 18 pt, 14 pt bold
            wanted = 3.0 if large else 4.5
            below, letters = self._colours(text)
            ratio = contrast(letters, below)
            if ratio < wanted:
                found.append(f"{ratio:.2f}, want {wanted:g}: {text['text'][:40]!r} in {text['where']}")
        return found

    @property
    def good(self) -> list[str]:
        """Whatever is drawn in the colour that says that all is well, or in a green, of which people think the same."""
        red, green, blue, _ = self.found["good"]
        return [
            where
            for where, (r, g, b, a) in self.found["tones"]
            if a > 0.1 and ((r, g, b) == (red, green, blue) or g - max(r, b) > 15)
        ]

    def _colours(self, text: dict[str, Any]) -> tuple[Colour, Colour]:
        """What is below a text, and its letters upon it, with everything that can be seen through."""
        below: Colour = (0, 0, 0) if self.found["dark"] else (255, 255, 255)
        seen = 1.0
        for (r, g, b, a), opacity, image in reversed(text["layers"]):
            assert not image, f"{text['where']} is written on a picture, whose contrast is not known"
            seen *= opacity
            below = _over((r, g, b), a * seen, below)
        r, g, b, a = text["color"]
        return below, _over((r, g, b), a * seen, below)

    def _too_wide(self) -> list[str]:
        width, scroll = self.found["width"], self.found["scroll"]
        found = [f"the page is {scroll} wide on a screen of {width}"] if scroll > width else []
        for text in self.found["texts"]:
            for left, _, right, _ in text["boxes"]:
                if left < -_SLACK or right > width + _SLACK:
                    found.append(f"beyond the screen: {text['text'][:40]!r} in {text['where']}: {left} to {right}")
        return found

    def _outside(self) -> list[str]:
        found = []
        for text in self.found["texts"]:
            for what in ("within", "part"):
                outer = text[what]
                if outer is not None and any(not _inside(box, outer) for box in text["boxes"]):
                    found.append(f"outside its {what}: {text['text'][:40]!r} in {text['where']}")
        return found

    def _overlapping(self) -> list[str]:
        """Texts that are written over another text. A letter's box is higher than the letter: 15 % is taken off."""
        lines = sorted(
            (
                (left, top + 0.15 * (bottom - top), right, bottom - 0.15 * (bottom - top)),
                number,
                f"{text['text'][:40]!r} in {text['where']}",
            )
            for number, text in enumerate(self.found["texts"])
            for left, top, right, bottom in text["boxes"]
        )
        lines.sort(key=lambda each: each[0][1])
        found = []
        for at, (one, number, what) in enumerate(lines):
            for other, other_number, other_what in lines[at + 1 :]:
                if other[1] >= one[3] - _SLACK:
                    break
                if number != other_number and _overlap(one, other):
                    found.append(f"{what} is written over {other_what}")
        targets = self.found["targets"]
        found += [
            f"{one['where']!r} lies over {other['where']!r}"
            for at, one in enumerate(targets)
            for other in targets[at + 1 :]
            if _overlap(one["box"], other["box"])
        ]
        parts = sorted(self.parts, key=lambda each: (each[1][1], each[1][0]))
        found += [
            f"{one} lies over {other}"
            for (one, box), (other, other_box) in pairwise(parts)
            if _overlap(box, other_box) and not _inside(box, other_box) and not _inside(other_box, box)
        ]
        return found

    def _small_targets(self) -> list[str]:
        found = []
        for target in self.found["targets"]:
            left, top, right, bottom = target["box"]
            if min(right - left, bottom - top) < TARGET - 0.1:
                found.append(f"{right - left:.0f} x {bottom - top:.0f} is too small to tap: {target['where']!r}")
        return found


def measured(page: Page, *, tones: bool = False) -> Measured:
    """Everything of a page, or of the dialog that is open on it. `tones`: also what is `good`, which takes longer."""
    return Measured(page.evaluate(_MEASURE, tones))


def contrast(one: Colour, other: Colour) -> float:
    """Contrast ratio: (L1 + 0.05) / (L2 + 0.05), L1 the lighter one. WCAG 2.2, definition of "contrast ratio"."""
    lighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: Colour) -> float:
    """0.2126 R + 0.7152 G + 0.0722 B of the linear values. WCAG 2.2, definition of "relative luminance"."""

    def linear(byte: float) -> float:
        value = byte / 255
        return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4

    red, green, blue = map(linear, colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _over(colour: Colour, alpha: float, below: Colour) -> Colour:
    """Simple alpha compositing (W3C Compositing and Blending Level 1, section 5.1) on what is opaque."""
    red, green, blue = (alpha * one + (1 - alpha) * other for one, other in zip(colour, below, strict=True))
    return red, green, blue


def _overlap(one: Box, other: Box) -> bool:
    return (
        min(one[2], other[2]) - max(one[0], other[0]) > _SLACK
        and min(one[3], other[3]) - max(one[1], other[1]) > _SLACK
    )


def _inside(box: Box, outer: Box) -> bool:
    return (
        box[0] >= outer[0] - _SLACK
        and box[1] >= outer[1] - 3  # a letter's box is higher than its line
        and box[2] <= outer[2] + _SLACK
        and box[3] <= outer[3] + 3
    )
