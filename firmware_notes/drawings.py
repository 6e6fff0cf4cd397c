"""Draws the pictures of these notes: ``python firmware_notes/drawings.py`` writes the SVG files.

Plain black lines on white, legible in print. No libraries.
"""

from __future__ import annotations

import math
from pathlib import Path
from xml.sax.saxutils import escape

HERE = Path(__file__).parent


class Drawing:
    """A list of SVG elements below a heading, with the few schematic symbols that are needed here."""

    def __init__(self, width: int, height: int, title: str) -> None:
        self.parts = [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
            f'width="{width}" height="{height}" font-family="DejaVu Sans, Helvetica, sans-serif" '
            'font-size="14" stroke-linecap="round" stroke-linejoin="round">',
            f"<title>{escape(title)}</title>",
            f'<rect width="{width}" height="{height}" fill="white"/>',
        ]
        self.text(30, 40, title, size=18, bold=True)

    def line(self, *points: tuple[float, float], width: float = 1.6, dash: str = "") -> None:
        path = " ".join(f"{x:g},{y:g}" for x, y in points)
        extra = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<polyline points="{path}" fill="none" stroke="black" stroke-width="{width}"{extra}/>'
        )

    def box(
        self, x: float, y: float, w: float, h: float, round_: float = 3, width: float = 1.6
    ) -> None:
        self.parts.append(
            f'<rect x="{x}" y="{y}" width="{w}" height="{h}" rx="{round_}" fill="white" '
            f'stroke="black" stroke-width="{width}"/>'
        )

    def text(
        self,
        x: float,
        y: float,
        words: str,
        anchor: str = "start",
        size: int = 14,
        bold: bool = False,
    ) -> None:
        weight = ' font-weight="bold"' if bold else ""
        for i, row in enumerate(words.split("\n")):
            self.parts.append(
                f'<text x="{x}" y="{y + i * (size + 4)}" text-anchor="{anchor}" '
                f'font-size="{size}"{weight}>{escape(row)}</text>'
            )

    def dot(self, x: float, y: float) -> None:
        self.parts.append(f'<circle cx="{x}" cy="{y}" r="3.5" fill="black"/>')

    def circle(self, x: float, y: float, r: float) -> None:
        self.parts.append(
            f'<circle cx="{x}" cy="{y}" r="{r}" fill="white" stroke="black" stroke-width="1.6"/>'
        )

    def resistor_h(self, x: float, y: float, label: str) -> None:
        """Between (x, y) and (x + 60, y)."""
        self.box(x + 8, y - 8, 44, 16, round_=0)
        self.line((x, y), (x + 8, y))
        self.line((x + 52, y), (x + 60, y))
        self.text(x + 30, y - 14, label, "middle", 13)

    def fuse_h(self, x: float, y: float, label: str) -> None:
        """Between (x, y) and (x + 60, y): a box with the wire through it."""
        self.box(x + 8, y - 8, 44, 16, round_=0)
        self.line((x, y), (x + 60, y))
        self.text(x + 30, y - 14, label, "middle", 13)

    def resistor_v(self, x: float, y: float, label: str) -> None:
        """Between (x, y) and (x, y + 60)."""
        self.box(x - 8, y + 8, 16, 44, round_=0)
        self.line((x, y), (x, y + 8))
        self.line((x, y + 52), (x, y + 60))
        self.text(x + 14, y + 35, label, size=13)

    def capacitor_v(self, x: float, y: float, label: str) -> None:
        """Between (x, y) and (x, y + 60)."""
        self.line((x, y), (x, y + 26))
        self.line((x - 13, y + 26), (x + 13, y + 26), width=2.4)
        self.line((x - 13, y + 34), (x + 13, y + 34), width=2.4)
        self.line((x, y + 34), (x, y + 60))
        self.text(x + 18, y + 35, label, size=13)

    def ground(self, x: float, y: float) -> None:
        for i, half in enumerate((12, 8, 4)):
            self.line((x - half, y + 5 * i), (x + half, y + 5 * i), width=2)

    def hop(self, x: float, y: float) -> None:
        """A horizontal wire crosses a vertical one at (x, y) and does not touch it."""
        self.parts.append(
            f'<path d="M {x - 7:g} {y:g} A 7 7 0 0 1 {x + 7:g} {y:g}" fill="none" stroke="black" '
            'stroke-width="1.6"/>'
        )

    def arrow(self, *points: tuple[float, float]) -> None:
        self.line(*points)
        (x0, y0), (x1, y1) = points[-2:]
        a = math.atan2(y1 - y0, x1 - x0)
        for turn in (2.7, -2.7):
            self.line((x1, y1), (x1 + 10 * math.cos(a + turn), y1 + 10 * math.sin(a + turn)))

    def save(self, name: str) -> None:
        text = "\n".join([*self.parts, "</svg>"]) + "\n"
        (HERE / name).write_text(text, encoding="utf-8", newline="\n")


def sensor_and_cable(d: Drawing) -> None:
    d.box(30, 120, 120, 220)
    d.text(90, 95, "transducer", "middle", bold=True)
    d.text(90, 150, "ratiometric\n0.5-4.5 V\nat 5 V", "middle", 13)
    d.text(143, 225, "+5 V", "end", 13)
    d.text(143, 275, "signal", "end", 13)
    d.text(143, 325, "ground", "end", 13)
    d.line((150, 170), (150, 170))
    d.box(185, 196, 90, 148, round_=12)
    d.text(230, 185, "cable, 3 + sense", "middle", 13)
    d.text(230, 364, "strain relief\nat both ends", "middle", 13)


def supply(d: Drawing) -> None:
    """+5 V from the board to the transducer with fuse and capacitors, and the ground wire."""
    d.line((150, 220), (310, 220), (310, 120), (740, 120))
    d.fuse_h(600, 120, "fuse 100 mA")
    for x, label in ((345, "100 nF"), (435, "10 µF")):
        d.capacitor_v(x, 120, label)
        d.dot(x, 120)
        d.ground(x, 180)
    d.line((150, 320), (330, 320), (330, 380), (740, 380))
    d.dot(450, 380)
    d.line((450, 380), (450, 395))
    d.ground(450, 395)


def sense(d: Drawing, x: float) -> None:
    """The wire that brings the transducer's own +5 V back, as far as (x, 170)."""
    d.dot(165, 220)
    d.line((165, 220), (165, 205), (303, 205))
    d.hop(310, 205)
    d.line((317, 205), (x - 20, 205), (x - 20, 170), (x, 170))


def wiring_5v() -> None:
    d = Drawing(900, 500, "5 V board (ATmega328P), reference AVcc")
    sensor_and_cable(d)
    d.box(740, 80, 130, 330)
    d.text(805, 70, "board", "middle", bold=True)
    for y, name in ((120, "5 V"), (170, "A1"), (270, "A0"), (380, "GND")):
        d.text(750, y + 5, name, size=14, bold=True)
    supply(d)
    sense(d, 530)
    d.line((530, 170), (570, 170))
    d.line((150, 270), (570, 270))
    for y in (170, 270):
        d.dot(540, y)
        d.resistor_v(540, y, "100 kΩ")
        d.ground(540, y + 60)
        d.resistor_h(570, y, "1 kΩ")
        d.line((630, y), (740, y))
        d.dot(670, y)
        d.capacitor_v(670, y, "1 µF")
        d.ground(670, y + 60)
    d.text(
        30,
        435,
        "Corner of 1 kΩ with 1 µF: 159 Hz. 100 kΩ pulls an open wire to 0 V: an open signal wire is then\n"
        'the fault "open", an open sense wire the fault "supply". The sense wire joins +5 V at the\n'
        "transducer. A small arc: wires that cross and do not touch; a dot: wires that are joined.",
        size=13,
    )
    d.save("wiring_5v.svg")


def wiring_33v() -> None:
    d = Drawing(900, 500, "3.3 V board: two equal dividers, × 0.6")
    sensor_and_cable(d)
    d.box(740, 80, 130, 330)
    d.text(805, 70, "board", "middle", bold=True)
    for y, name in ((120, "5 V (USB)"), (170, "GP27"), (270, "GP26"), (380, "GND")):
        d.text(750, y + 5, name, size=14, bold=True)
    supply(d)
    sense(d, 500)
    d.line((150, 270), (500, 270))
    for y in (170, 270):
        d.resistor_h(500, y, "10 kΩ")
        d.line((560, y), (740, y))
        d.dot(580, y)
        d.resistor_v(580, y, "15 kΩ")
        d.ground(580, y + 60)
        d.dot(670, y)
        d.capacitor_v(670, y, "100 nF")
        d.ground(670, y + 60)
    d.text(
        30,
        435,
        "5.0 V becomes 3.0 V. Corner of 6 kΩ (10 kΩ beside 15 kΩ) with 100 nF: 265 Hz. The lower resistors\n"
        'pull an open wire to 0 V: an open signal wire is then the fault "open", an open sense wire the\n'
        'fault "supply". A small arc: wires that cross and do not touch; a dot: wires that are joined.',
        size=13,
    )
    d.save("wiring_33v.svg")


def plumbing() -> None:
    d = Drawing(900, 400, "The tee in the hose of the hand tester")
    # pump with its gauge
    d.box(40, 190, 130, 60)
    d.text(105, 225, "hand pump", "middle")
    d.line((105, 190), (105, 160))
    d.circle(105, 125, 35)
    d.line((105, 125), (125, 105), width=2.4)
    d.text(150, 95, "the tester's own gauge:\nkeep it in view", size=13)
    # hose
    for dy in (-8, 8):
        d.line((170, 220 + dy), (390, 220 + dy))
        d.line((450, 220 + dy), (690, 220 + dy))
    d.text(250, 262, "hose", "middle", 13)
    d.text(590, 262, "hose", "middle", 13)
    for x in (378, 452):
        d.box(x, 206, 10, 28, round_=1)
    d.text(420, 300, "rated clamps on barbs", "middle", 13)
    d.line((383, 240), (400, 284), width=1)
    d.line((457, 240), (440, 284), width=1)
    # tee
    d.box(388, 200, 64, 40)
    d.text(420, 226, "tee", "middle", 13)
    d.box(408, 150, 24, 50, round_=0)
    d.box(392, 90, 56, 60)
    d.line((420, 90), (420, 62), (470, 62), width=3)
    d.text(476, 66, "cable, tied to the hose", size=13)
    d.text(460, 125, "transducer, upright", size=13)
    d.text(402, 178, "sealed thread", "end", 13)
    # bleed
    d.box(520, 202, 36, 36)
    d.line((538, 202), (538, 172), width=3)
    d.line((522, 172), (554, 172), width=3)
    d.text(562, 178, "bleed valve", size=13)
    # cap adapter
    d.box(690, 190, 150, 60)
    d.text(765, 215, "cap adapter or\nradiator neck", "middle", 13)
    d.text(
        30,
        340,
        "Cold system only. Eye protection. Every part rated above 300 kPa. Relieve at the bleed or the\n"
        "pump's own valve before anything is loosened. First proof at 20 kPa, then in steps.",
        size=14,
        bold=True,
    )
    d.save("plumbing.svg")


def state(d: Drawing, x: float, y: float, name: str, note: str) -> None:
    d.box(x - 75, y - 30, 150, 60, round_=28)
    d.text(x, y - 2, name, "middle", 15, bold=True)
    d.text(x, y + 17, note, "middle", 12)


def start(d: Drawing, y: float, note: str) -> None:
    d.circle(60, y, 6)
    d.arrow((66, y), (125, y))
    d.text(30, y - 22, note, size=12)


def line_states() -> None:
    d = Drawing(900, 480, "How a reader puts lines together")
    start(d, 160, "start")
    state(d, 200, 160, "COLLECT", "bytes of one line")
    state(d, 200, 360, "SKIP", "line is too long")
    state(d, 520, 160, "CHECK", "form, CRC")
    state(d, 780, 160, "READ", "kind, fields, ranges")
    d.arrow((275, 160), (445, 160))
    d.text(360, 150, "LF (or CR LF)", "middle", 12)
    d.arrow((595, 160), (705, 160))
    d.text(650, 150, "check right", "middle", 12)
    d.arrow((180, 190), (180, 330))
    d.text(172, 275, "120 bytes,\nno LF", "end", 12)
    d.arrow((220, 330), (220, 190))
    d.text(228, 320, "LF: count it as too long", "start", 12)
    # loops
    d.arrow((140, 133), (140, 102), (180, 102), (180, 130))
    d.text(160, 94, "any other byte: keep it", "middle", 12)
    d.arrow((160, 390), (160, 420), (240, 420), (240, 390))
    d.text(250, 424, "any other byte: forget it", size=12)
    # back to COLLECT
    d.arrow((520, 130), (520, 80), (235, 80), (235, 130))
    d.text(528, 76, "check wrong or missing: count it, drop the line", "start", 12)
    d.arrow((740, 190), (740, 235), (262, 235), (262, 183))
    d.text(510, 228, "unknown kind, bad fields: count it, drop the line", "middle", 12)
    d.arrow((800, 190), (800, 300))
    d.text(792, 268, "good", "end", 12)
    d.box(715, 300, 150, 44)
    d.text(790, 327, "give one message", "middle", 14)
    d.arrow((715, 322), (400, 322), (400, 262), (248, 262), (248, 190))
    d.text(
        410,
        400,
        "Every way leads back to COLLECT: one spoiled line\n"
        "never costs the next one. Nothing is guessed.",
        size=13,
    )
    d.save("line_states.svg")


def adapter_states() -> None:
    d = Drawing(900, 420, "What an adapter does")
    start(d, 140, "power, reset")
    state(d, 200, 140, "BOOT", "sequence 0, clock 0")
    state(d, 480, 140, "SAMPLE", "every 10 ms: S")
    state(d, 770, 140, "FAULT", "S, and F each 0.5 s")
    d.arrow((275, 140), (405, 140))
    d.text(340, 130, "send A", "middle", 12)
    d.arrow((555, 128), (695, 128))
    d.text(625, 104, "signal, supply or converter\ncannot be right", "middle", 12)
    d.arrow((695, 154), (555, 154))
    d.text(625, 174, "right again", "middle", 12)
    d.arrow((450, 110), (450, 75), (510, 75), (510, 110))
    d.text(480, 67, "5 s, or ? LF came: send A", "middle", 12)
    d.arrow((480, 170), (480, 270), (200, 270), (200, 170))
    d.text(340, 262, "watchdog: no sample for 0.5 s", "middle", 12)
    d.text(
        30,
        330,
        "In FAULT the announcements go on too. Words: open, short, supply, adc. With adc there is no\n"
        "reading to send: the sample is left out and its number is used up. The sequence counts every\n"
        "sample that was due; sequence and clock wrap, and nothing else happens when they do.",
        size=13,
    )
    d.save("adapter_states.svg")


def main() -> None:
    wiring_5v()
    wiring_33v()
    plumbing()
    line_states()
    adapter_states()


if __name__ == "__main__":
    main()
