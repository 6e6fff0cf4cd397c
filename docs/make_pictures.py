"""Draws the example pictures and the example sheet of the docs again, from the simulated demo.

    python docs/make_pictures.py

The workshop, the vehicle and the readings are invented.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from recorder import sheet  # noqa: E402
from recorder.analysis import Analyser, analyse  # noqa: E402
from recorder.limits import resolve  # noqa: E402
from recorder.model import Header, Mark, Recording, Rows  # noqa: E402
from recorder.picture import draw, save  # noqa: E402
from recorder.recording import Writer, read  # noqa: E402
from recorder.rig import demo, simulate  # noqa: E402

OUT = ROOT / "docs" / "pictures"
FINDINGS = {"system-seeps": Mark(60.0, "drip at the lower hose clamp")}


def recorded(number: int, folder: Path) -> tuple[Recording, Analyser]:
    """One test of the demo, through a real file."""
    part = demo()[number]
    trace = simulate(part.scene)
    header = Header(part.test, marked=part.marked, job=part.job, calibration=trace.calibration,
                    procedure=resolve(part.test, {"stroke_volume": part.stroke_volume_ml}).to_json(),
                    other={"repair": part.repair} if part.repair else {})
    writer = Writer(folder, header, when=datetime(2026, 3, 14, 10, 15 + 6 * number, tzinfo=UTC),
                    id4=f"00{number:02d}")
    kept = ~trace.lost
    writer.add(Rows(trace.adapter_time_s[kept], trace.reading_kpa[kept], flag=trace.flags))
    if part.name in FINDINGS:
        writer.mark(FINDINGS[part.name])
    first = read(writer.path)
    writer.seal(analyse(first).judgement().to_json())
    writer.close()
    recording = read(writer.path)
    return recording, analyse(recording)


def main() -> None:
    OUT.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name:
        done = {part.name: recorded(i, Path(name)) for i, part in enumerate(demo())}
    for part in ("cap-passes", "cap-opens-low", "system-seeps"):
        draw(*done[part], OUT / f"example-{part}.svg", force=True)
    draw(*done["system-repaired"], OUT / "example-before-after.svg", before=done["system-seeps"], unit="psi",
         force=True)
    entries = [sheet.Entry(r, a, a.judgement().to_json()) for r, a in done.values()]
    page = sheet.html_text(entries[1:], shop="Corner Lane Garage (invented)")
    save(OUT / "example-sheet.html", page.encode(), force=True)
    with tempfile.TemporaryDirectory() as name:
        printed = Path(name) / "sheet.pdf"
        printed.write_bytes(sheet.pdf_bytes(entries[1:], shop="Corner Lane Garage (invented)"))
        if shutil.which("pdftoppm") is None:
            raise SystemExit("docs/pictures/example-sheet.png was not made: pdftoppm is missing; install poppler-utils")
        subprocess.run(["pdftoppm", "-r", "90", "-png", "-singlefile", "-f", "1", "-l", "1", printed,
                        OUT / "example-sheet"], check=True)


if __name__ == "__main__":
    main()
