"""A coverage-guided fuzzer (libFuzzer, through the package atheris) over the decoder.

    python -m tests.benchmarks.wire_fuzz_guided [--bytes 4_000_000] [--seed 1]

It mutates streams towards code that was not reached yet; half of the time it gives a line its right check
again, for the decoder would turn nearly all of them away otherwise. Every input goes through all ways of the
decoder, and each has to accept what the reference of wire_fuzz.py accepts.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import subprocess
import sys
import tempfile
from pathlib import Path

_LONGEST = 4096
_ENOUGH = 77  # exit code: all bytes were fed


def guided(total: int, seed: int) -> tuple[bool | None, str]:
    """Whether it found something, None where it was not tried, and what there is to say. In a process of its own: the
    fuzzer never returns."""
    if importlib.util.find_spec("atheris") is None:
        return None, "not tried, the package atheris is not installed"
    got = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.wire_fuzz_guided", "--inside", "--bytes", str(total), "--seed",
         str(seed)], capture_output=True, text=True, check=False, cwd=Path(__file__).resolve().parents[2])
    last = [line for line in got.stdout.splitlines() if line.startswith("fed ")]
    if got.returncode != _ENOUGH or not last:
        return True, f"exit {got.returncode}: {(got.stdout + got.stderr)[-1500:]}"
    reached = [line for line in got.stderr.splitlines() if " cov: " in line]
    return False, f"{last[-1]}, none differ; {' '.join(reached[-1].split()[2:6]) if reached else ''}".strip()


def _fuzz(total: int, seed: int) -> None:
    import atheris

    with atheris.instrument_imports(include=["recorder.wire"]):
        import recorder.wire  # noqa: F401
    from tests.benchmarks.wire_fuzz import HOSE, agree, checked, encode_announcement, encode_sample

    fed = runs = 0

    def one(data: bytes) -> None:
        nonlocal fed, runs
        if len(data) < 2:
            return
        sizes, stream = [data[0] + 1, 16 * data[1] + 1], data[2:] + b"\n"
        fed += len(stream)
        runs += 1
        if not agree(stream, sizes):
            raise RuntimeError("the ways through the decoder disagree")
        if fed >= total:
            print(f"fed {fed} bytes in {runs} inputs", flush=True)
            os._exit(_ENOUGH)

    def mutate(data: bytes, most: int, number: int) -> bytes:
        data = atheris.Mutate(data, most)
        if number % 2 and len(data) > 2:
            lines = data[2:].split(b"\n")
            at = number // 2 % len(lines)
            body = lines[at].rpartition(b"*")[0] or lines[at]
            lines[at] = checked(body)[:-1]
            data = data[:2] + b"\n".join(lines)
        return bytes(data[:most])

    with tempfile.TemporaryDirectory() as corpus:
        samples = b"".join(encode_sample(i, i * 10_000, i % 1024, None, 21.5) for i in range(120))
        for i, seeded in enumerate([samples[:200], samples, encode_announcement(HOSE) + samples[:90],
                                    samples[:60].replace(b"\n", b"\r\n"), b"x" * 130 + b"\n" + samples[:60]]):
            (Path(corpus) / str(i)).write_bytes(b"\x10\x40" + seeded)
        atheris.Setup([sys.argv[0], f"-max_len={_LONGEST}", f"-seed={seed}", "-len_control=10", corpus], one,
                      custom_mutator=mutate)
        atheris.Fuzz()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--bytes", type=lambda s: int(s.replace("_", "")), default=4_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.inside:
        _fuzz(given.bytes, given.seed)
    wrong, said = guided(given.bytes, given.seed)
    print(said)
    return 2 if wrong is None else int(wrong)


if __name__ == "__main__":
    sys.exit(main())
