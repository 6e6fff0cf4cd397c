"""The alarm's sound: a tone that can be heard, played by what is there, and the bell where nothing is."""

from __future__ import annotations

import os
import time
import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from recorder.window.parts import sound
from recorder.window.parts.sound import Alarm


class Bell:
    def __init__(self) -> None:
        self.n = 0

    def __call__(self) -> None:
        self.n += 1


def player(folder: Path, name: str, script: str) -> None:
    path = folder / name
    path.write_text(f"#!/bin/sh\n{script}\n")
    path.chmod(0o755)


def until(met: Callable[[], bool]) -> None:
    end = time.monotonic() + 20
    while not met():
        assert time.monotonic() < end
        time.sleep(0.005)


def ended(alarm: Alarm) -> bool:
    return alarm._playing is not None and alarm._playing.poll() is not None


def test_the_tone_is_loud_and_between_500_and_2500_hz(tmp_path: Path) -> None:
    """ISO 7731, from memory: danger signals have their energy there."""
    sound.write_tone(tmp_path / "tone.wav")
    with wave.open(str(tmp_path / "tone.wav")) as read:
        rate = read.getframerate()
        assert (read.getnchannels(), read.getsampwidth()) == (1, 2)
        samples = np.frombuffer(read.readframes(read.getnframes()), "<i2").astype(float)
    assert 0.3 < len(samples) / rate < 0.6  # over before it is played again
    assert np.sqrt(np.mean(samples**2)) > 0.5 * 32767  # a full sine would have 0.71
    spectrum, hz = np.abs(np.fft.rfft(samples)) ** 2, np.fft.rfftfreq(len(samples), 1 / rate)
    assert spectrum[(hz > 500) & (hz < 2500)].sum() > 0.95 * spectrum.sum()
    assert abs(samples[0]) < 300 and np.max(np.abs(np.diff(samples))) < 16_000  # no click


def test_a_player_that_works_takes_the_place_of_the_bell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    player(tmp_path, "paplay", f'cp "$1" {tmp_path}/heard.wav; echo x >> {tmp_path}/times')
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}/usr/bin{os.pathsep}/bin")
    monkeypatch.setattr(sound, "_PLAYERS", (("paplay",),))
    bell = Bell()
    alarm = Alarm(bell)
    alarm()
    assert bell.n == 1  # nothing has shown yet that it works
    until(lambda: ended(alarm))
    alarm()
    assert bell.n == 1
    until(lambda: ended(alarm))
    assert (tmp_path / "times").read_text().count("x") == 2
    with wave.open(str(tmp_path / "heard.wav")) as read:
        assert read.getnframes() > 5000
    where = alarm._file()
    alarm.close()
    alarm.close()
    assert not where.exists()


def test_it_is_not_played_over_itself_and_ends_with_the_window(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    player(tmp_path, "aplay", f"echo x >> {tmp_path}/times; exec sleep 60")
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}/usr/bin{os.pathsep}/bin")
    monkeypatch.setattr(sound, "_PLAYERS", (("aplay", "-q"),))
    alarm = Alarm(Bell())
    for _ in range(5):
        alarm()
    until(lambda: (tmp_path / "times").exists())
    playing = alarm._playing
    assert playing is not None
    alarm.close()
    assert playing.returncode is not None  # it does not sleep on
    assert (tmp_path / "times").read_text().count("x") == 1


def test_players_that_fail_are_left_and_the_bell_rings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("pw-play", "paplay"):
        player(tmp_path, name, f"echo {name} >> {tmp_path}/asked; exit 1")  # no sound card
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}/usr/bin{os.pathsep}/bin")
    monkeypatch.setattr(sound, "_PLAYERS", (("pw-play",), ("paplay",), ("no-such-player",)))
    bell = Bell()
    alarm = Alarm(bell)
    for n in range(1, 5):
        alarm()
        assert bell.n == n
        if alarm._playing is not None:
            until(lambda: ended(alarm))
    assert (tmp_path / "asked").read_text().split() == ["pw-play", "paplay"]
    alarm.close()


def test_a_player_that_hangs_is_ended_and_the_bell_rings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sound service that does not answer holds its players for ever: the alarm was silent from then on."""
    player(tmp_path, "pw-play", f"if [ -e {tmp_path}/stuck ]; then exec sleep 60; fi; exit 0")
    player(tmp_path, "paplay", f"echo x >> {tmp_path}/heard")
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}/usr/bin{os.pathsep}/bin")
    monkeypatch.setattr(sound, "_PLAYERS", (("pw-play",), ("paplay",)))
    bell, now = Bell(), [0.0]
    alarm = Alarm(bell, lambda: now[0])
    alarm()
    until(lambda: ended(alarm))
    (tmp_path / "stuck").touch()
    alarm()
    hung = alarm._playing
    assert bell.n == 1 and hung is not None  # it works
    for now[0] in (0.6, 1.2, 1.8):
        alarm()
    assert bell.n == 1 and hung.poll() is None  # a slow one is not taken for one that hangs
    now[0] = 60.0
    alarm()
    assert bell.n == 2 and hung.poll() is not None
    until(lambda: (tmp_path / "heard").exists())  # by the next that there is
    alarm.close()


@pytest.mark.parametrize("whole", [True, False])
def test_a_tone_that_was_tidied_away_is_made_again(
    whole: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Temporary files that nobody used for some days go: every player failed then, and the bell alone was left."""
    player(tmp_path, "paplay", f'cp "$1" {tmp_path}/heard.wav')
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}/usr/bin{os.pathsep}/bin")
    monkeypatch.setattr(sound, "_PLAYERS", (("paplay",),))
    bell = Bell()
    alarm = Alarm(bell)
    alarm()
    until(lambda: ended(alarm))
    where = alarm._file()
    where.unlink()
    if whole:
        where.parent.rmdir()
    (tmp_path / "heard.wav").unlink()
    alarm()
    until(lambda: ended(alarm))
    assert (tmp_path / "heard.wav").stat().st_size > 10_000
    alarm()
    assert bell.n == 1
    until(lambda: ended(alarm))
    alarm.close()
