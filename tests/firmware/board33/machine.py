# Stands in for a 3.3 V board under the unix port of MicroPython: two converters and a watchdog.
# HOSE_VOLTS "signal supply": volts at the transducer, before the dividers (x 0.6).
# HOSE_BREAK "kind first last": samples during which the converter gives an error ("error"), is so slow that a sample
# takes 1.5 s ("slow"), or stands still for longer than the watchdog allows ("hang").
# HOSE_DIP "first last factor": readings (of both converters, counted together) during which signal and
# supply have that part of their volts.
import os
import sys
import time

_signal, _supply = [float(v) for v in os.getenv("HOSE_VOLTS").split()]
_VOLTS = {26: _signal, 27: _supply}
_kind, _first, _last = (os.getenv("HOSE_BREAK") or "none 0 -1").split()
_READINGS = 128  # of both converters, a sample
_dip_first, _dip_last, _dip = [float(v) for v in (os.getenv("HOSE_DIP") or "0 -1 1").split()]


class Pin:
    def __init__(self, number):
        self.number = number


class ADC:
    readings = 0

    def __init__(self, pin):
        self.volts = _VOLTS[pin.number] * 0.6

    def read_u16(self):
        sample, ADC.readings = divmod(ADC.readings, _READINGS)[0], ADC.readings + 1
        if int(_first) <= sample <= int(_last):
            if _kind in ("hang", "slow"):
                time.sleep_ms(25 if _kind == "hang" else 12)
            elif _kind == "error":
                ADC.readings += _READINGS - 1  # the rest of this sample is never asked for
                raise OSError(5)
        volts = self.volts * (_dip if _dip_first < ADC.readings <= _dip_last else 1.0)
        twelve = min(4095, int(volts / 3.3 * 4096))
        return twelve << 4 | twelve >> 8


class WDT:
    """Resets, here: ends the program, when it is fed too late."""

    def __init__(self, timeout):
        self.timeout = timeout
        self.fed = time.ticks_ms()

    def feed(self):
        now = time.ticks_ms()
        if time.ticks_diff(now, self.fed) > self.timeout:
            sys.exit(3)
        self.fed = now
