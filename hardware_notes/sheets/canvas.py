"""A sheet to draw on: black lines and plain text, written as SVG without anything from outside the file.

Coordinates are in px, x to the right, y down. Every text's place is remembered, so that a test can see overlaps.
"""

from xml.sax.saxutils import escape

WIDTH_PER_PX = 0.6  # mean width of a letter as a part of the text size; on the wide side, so that checks err to safety


def num(value):
    """Shortest text of a coordinate, two decimals at most."""
    return f"{value:.2f}".rstrip("0").rstrip(".")


class Sheet:
    """One drawing. `texts` holds (left, top, right, bottom, text) of everything written on it."""

    def __init__(self, width, height, title, about):
        self.width, self.height, self.title, self.about = width, height, title, about
        self.parts = []
        self.texts = []
        self.text(20, 32, title, size=20, bold=True)

    def line(self, *points, dash=False, thick=1.6):
        """Open line through points (x, y)."""
        path = " ".join(f"{num(x)},{num(y)}" for x, y in points)
        more = ' stroke-dasharray="6 4"' if dash else ""
        self.parts.append(f'<polyline points="{path}" stroke-width="{num(thick)}"{more}/>')

    def shape(self, *points, fill="white"):
        """Closed shape through points (x, y)."""
        path = " ".join(f"{num(x)},{num(y)}" for x, y in points)
        self.parts.append(f'<polygon points="{path}" fill="{fill}"/>')

    def box(self, x, y, width, height, dash=False, round_px=0, fill="none"):
        more = ' stroke-dasharray="6 4"' if dash else ""
        self.parts.append(
            f'<rect x="{num(x)}" y="{num(y)}" width="{num(width)}" height="{num(height)}" rx="{num(round_px)}" '
            f'fill="{fill}"{more}/>'
        )

    def circle(self, x, y, radius, fill="none"):
        self.parts.append(f'<circle cx="{num(x)}" cy="{num(y)}" r="{num(radius)}" fill="{fill}"/>')

    def dot(self, x, y):
        """Wires that cross here are joined."""
        self.circle(x, y, 3, fill="black")

    def arrow(self, x, y, to_x, to_y, dash=False, head=8):
        """Line with a filled head at its end."""
        length = ((to_x - x) ** 2 + (to_y - y) ** 2) ** 0.5
        along, across = (to_x - x) / length, (to_y - y) / length
        base_x, base_y = to_x - along * head, to_y - across * head
        half = head * 0.45
        self.line((x, y), (base_x, base_y), dash=dash)
        self.shape(
            (to_x, to_y),
            (base_x - across * half, base_y + along * half),
            (base_x + across * half, base_y - along * half),
            fill="black",
        )

    def text(self, x, y, words, size=13, anchor="start", bold=False):
        """One or more lines (separated by a line feed); y is the base line of the first. Empty: nothing."""
        if not words:
            return
        for row, words_of_row in enumerate(words.split("\n")):
            base = y + row * size * 1.3
            width = len(words_of_row) * size * WIDTH_PER_PX * (1.08 if bold else 1)
            left = {"start": x, "middle": x - width / 2, "end": x - width}[anchor]
            self.texts.append((left, base - size * 0.8, left + width, base + size * 0.25, words_of_row))
            weight = ' font-weight="bold"' if bold else ""
            self.parts.append(
                f'<text x="{num(x)}" y="{num(base)}" font-size="{num(size)}" text-anchor="{anchor}"{weight}>'
                f"{escape(words_of_row)}</text>"
            )

    def svg(self):
        """The whole file as text."""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.width}" height="{self.height}" '
            f'viewBox="0 0 {self.width} {self.height}" role="img" aria-labelledby="t d">\n'
            f'<title id="t">{escape(self.title)}</title>\n<desc id="d">{escape(self.about)}</desc>\n'
            f'<rect width="{self.width}" height="{self.height}" fill="white"/>\n'
            '<g stroke="black" stroke-width="1.6" fill="none" stroke-linejoin="round" stroke-linecap="round">\n'
        )
        lines = [p for p in self.parts if not p.startswith("<text")]
        words = [p for p in self.parts if p.startswith("<text")]
        return (
            head + "\n".join(lines) + "\n</g>\n"
            '<g fill="black" font-family="DejaVu Sans, Verdana, Arial, sans-serif">\n'
            + "\n".join(words)
            + "\n</g>\n</svg>\n"
        )


def overlaps(sheet):
    """Pairs of texts that lie on each other, and texts that leave the sheet, as readable lines."""
    found = []
    for i, one in enumerate(sheet.texts):
        if one[0] < 0 or one[1] < 0 or one[2] > sheet.width or one[3] > sheet.height:
            found.append(f"leaves the sheet: {one[4]}")
        for two in sheet.texts[i + 1 :]:
            if one[0] < two[2] and two[0] < one[2] and one[1] < two[3] and two[1] < one[3]:
                found.append(f"{one[4]} / {two[4]}")
    return found
