"""The sound of an alarm: a tone of our own, played by what the computer has for it; its bell where it has nothing.

No Qt: the part of it that plays sound is a large one that not every computer has.
"""

from __future__ import annotations

import math
import shutil
import subprocess
import sys
import tempfile
import time
import wave
from array import array
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

__all__ = ["Alarm", "Sounding", "players", "write_tone"]

RATE_HZ = 22_050
# Two tones in turn, between 500 and 2500 Hz, where people hear well and a pump's noise is weak (ISO 7731, from memory).
TONES_HZ = (1600.0, 1000.0, 1600.0)
_TONE_S = 0.14
_EVERY_S = 0.6  # the tones last 0.42 s
_KILLED_S = 0.2  # a process that was killed is gone by then, unless the system itself holds it
_HANGS_S = 3.0  # a player that has not ended by then waits for a sound service that does not answer
_FADE_S = 0.008  # so that it does not click
# Each plays a file and ends. The first that is there is taken.
_PLAYERS = (("pw-play",), ("paplay",), ("aplay", "-q"), ("afplay",), ("play", "-q"))


def write_tone(path: Path) -> None:
    """The alarm as a WAV file: 16 bit, one channel."""
    samples = array("h")
    n = round(_TONE_S * RATE_HZ)
    for hz in TONES_HZ:
        for i in range(n):
            fade = min(i, n - 1 - i) / (_FADE_S * RATE_HZ)
            samples.append(round(30_000 * min(fade, 1.0) * math.sin(2 * math.pi * hz * i / RATE_HZ)))
    if sys.byteorder == "big":
        samples.byteswap()
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE_HZ)
        out.writeframes(samples.tobytes())


def players() -> list[list[str]]:
    """The commands of this computer that play a file."""
    found = ((shutil.which(name), rest) for name, *rest in _PLAYERS)
    return [[path, *rest] for path, rest in found if path is not None]


def _end(playing: subprocess.Popen[bytes]) -> None:
    """At once; what not even that ends at once is waited for no longer."""
    playing.kill()
    with suppress(subprocess.TimeoutExpired):
        playing.wait(_KILLED_S)


class Sounding:
    """A sound that comes again and again while it is asked for, and can be muted."""

    def __init__(self, beep: Callable[[], object], clock: Callable[[], float] = time.monotonic) -> None:
        self.mute = False
        self.clock = clock
        self._beep = beep
        self._heard_s = float("-inf")

    def sound(self) -> None:
        """Unless it is muted, or is to be heard still."""
        now = self.clock()
        if not self.mute and now - self._heard_s >= _EVERY_S:
            self._heard_s = now
            self._beep()

    def set_mute(self, mute: bool) -> None:
        """No sound, or sound, which is heard once then, so that one knows whether it works."""
        self.mute = mute
        if not mute:
            self.sound()


class Alarm:
    """Call it again and again while there is an alarm. ``bell`` rings until a player has shown that it works, and again
    once it hangs. clock: monotonic seconds."""

    def __init__(self, bell: Callable[[], object], clock: Callable[[], float] = time.monotonic) -> None:
        self._bell, self._clock = bell, clock
        self._began_s = 0.0  # when what plays was started
        self._commands: list[list[str]] | None = None  # until it is known what there is
        self._playing: subprocess.Popen[bytes] | None = None
        self._works = False
        self._folder: tempfile.TemporaryDirectory[str] | None = None

    def __call__(self) -> None:
        """Sounds once, where it does not sound already. Waits for nothing but the end of a player that hangs."""
        if self._playing is not None:
            ended = self._playing.poll()
            if ended is None and self._clock() - self._began_s < _HANGS_S:
                return
            if ended is None:
                _end(self._playing)
            self._over(failed=ended != 0)
        if not self._works:
            self._bell()
        self._play()

    def _over(self, *, failed: bool) -> None:
        self._playing = None
        self._works = not failed
        if failed and self._commands:
            self._commands.pop(0)

    def _file(self) -> Path:
        """The tone; made again where it is gone: systems tidy their temporary folder up, and a window may be open for
        weeks."""
        if self._folder is not None and not Path(self._folder.name).is_dir():
            self._folder.cleanup()  # else it is told at the end that nobody did
            self._folder = None
        if self._folder is None:
            self._folder = tempfile.TemporaryDirectory(prefix="alarm-", ignore_cleanup_errors=True)
        path = Path(self._folder.name) / "alarm.wav"
        if not path.exists():
            write_tone(path)
        return path

    def _play(self) -> None:
        try:
            if sys.platform == "win32":
                import winsound

                winsound.PlaySound(str(self._file()), winsound.SND_FILENAME | winsound.SND_ASYNC)
                self._works = True
                return
            if self._commands is None:
                self._commands = players()
            if self._commands:
                self._began_s = self._clock()
                self._playing = subprocess.Popen(
                    [*self._commands[0], str(self._file())], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL)
        except (OSError, RuntimeError):
            self._over(failed=True)

    def close(self) -> None:
        """Silence. May be called twice."""
        playing, self._playing = self._playing, None
        if playing is not None:
            _end(playing)
        folder, self._folder = self._folder, None
        if folder is not None:
            folder.cleanup()
