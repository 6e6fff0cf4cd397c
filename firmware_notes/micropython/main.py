# Hose gauge adapter for 3.3 V boards with MicroPython (pins as on an RP2040 board).
#
#   GP26  signal of a ratiometric 0.5-4.5 V transducer, through a divider 10 k / 15 k (x 0.6)
#   GP27  the transducer's 5 V supply, through a divider of the same parts
#
# Both are sent, so the recorder works with signal / supply: the board's own reference and the
# USB supply both drop out. 100 samples a second on an absolute schedule, so it cannot drift;
# each is the mean of 64 readings of both, taken in turns, so that both have their middle at the same
# moment. Neither is filtered any further: a supply that is slower than the signal makes pressure
# out of every step of the supply. Full scale is 65535, as read_u16 has it.
# Copy this file to the board as main.py.
import select
import sys
import time

import machine

ADAPTER_ID = "hose-py"  # give every adapter its own: 1 to 40 letters, digits, - only
START_SEQ = 0
START_US = 0
assert 1 <= len(ADAPTER_ID) <= 40
ANNOUNCEMENT = f"A,1,{ADAPTER_ID},1.0,65535,100"
PERIOD_US = 10_000
READINGS = 64  # of each; fewer where the rate comes out below 100
ANNOUNCE_SAMPLES = 500  # 5 s
MOST_BEHIND = 100  # samples, 1 s: after more, as where a host that holds the port does not read, none is made up for
FAULT_SAMPLES = 50  # at least 0.5 s between two fault lines
SUPPLY_LOW = 53_600  # x 0.6 / 3.3 V: 4.5 V at the transducer
SUPPLY_NONE = 29_800  # 2.5 V: no supply that works, its sense wire is off

TABLE = []
for nibble in range(16):
    crc = nibble << 12
    for _ in range(4):
        crc = (crc << 1) ^ (0x1021 if crc & 0x8000 else 0)
    TABLE.append(crc & 0xFFFF)


def check(body):
    # CRC-16/XMODEM, four bits at a time
    crc = 0
    for byte in body.encode():
        crc = ((crc << 4) & 0xFFFF) ^ TABLE[(crc >> 12) ^ (byte >> 4)]
        crc = ((crc << 4) & 0xFFFF) ^ TABLE[(crc >> 12) ^ (byte & 15)]
    return crc


def send(body):
    # print() would end the line with CR LF on some boards: that is allowed by the format
    sys.stdout.write(f"{body}*{check(body):04X}\n")


def fault_of(counts, supply):
    if supply < SUPPLY_LOW:
        return "supply"
    if counts > supply * 0.96:  # a good sensor stays below 90 %
        return "short"
    if counts < supply * 0.04:  # the divider pulls an open lead down; a good sensor gives 10 %
        return "open"
    return None


def wait_until(due, keys, before):
    # Answers "?" LF until the next sample is due. before: the last byte that came; so is what it gives back.
    while True:
        left = time.ticks_diff(due, time.ticks_us())
        if left <= 0:
            return before
        if keys.poll(0):
            c = sys.stdin.buffer.read(1)  # a byte: half a letter, as noise has it, would be waited for as text
            if c == b"\n" and before == b"?":
                send(ANNOUNCEMENT)
            if c != b"\r":
                before = c
        elif left > 2000:
            time.sleep_us(1000)


def mean_of_both(signal_pin, supply_pin):
    counts = supply = 0
    for _ in range(READINGS // 2):
        counts += signal_pin.read_u16()
        supply += supply_pin.read_u16()
        supply += supply_pin.read_u16()
        counts += signal_pin.read_u16()
    return counts // READINGS, supply // READINGS


def run():
    signal_pin = machine.ADC(machine.Pin(26))
    supply_pin = machine.ADC(machine.Pin(27))
    keys = select.poll()
    keys.register(sys.stdin, select.POLLIN)
    seq = START_SEQ
    clock_us = START_US
    since_announcement = 0
    fault_pause = 0
    before = b""
    send(ANNOUNCEMENT)
    dog = machine.WDT(timeout=2000)
    last = time.ticks_us()
    due = last
    while True:
        due = time.ticks_add(due, PERIOD_US)  # absolute: a late sample does not shift the next
        behind = time.ticks_diff(time.ticks_us(), due) // PERIOD_US
        if behind > MOST_BEHIND:
            due = time.ticks_add(due, behind * PERIOD_US)
            seq = (seq + behind) & 0xFFFF  # their numbers are used up
        before = wait_until(due, keys, before)

        # ticks_us wraps early (at 2**30 on most boards): count its steps on a clock of 32 bits
        now = time.ticks_us()
        clock_us = (clock_us + time.ticks_diff(now, last)) & 0xFFFFFFFF
        last = now
        try:
            counts, supply = mean_of_both(signal_pin, supply_pin)
            word = fault_of(counts, supply)
        except OSError:  # a converter on a bus, or a driver that gave up
            word = "adc"
        if fault_pause:
            fault_pause -= 1
        if word and not fault_pause:
            send(f"F,{clock_us},{word}")
            fault_pause = FAULT_SAMPLES
        if word != "adc":  # without its readings there is no sample; its number is used up
            # nothing can be divided by a supply that is not there: its field stays empty
            sent = "" if supply < SUPPLY_NONE else supply
            send(f"S,{seq},{clock_us},{counts},{sent},")
        dog.feed()
        seq = (seq + 1) & 0xFFFF
        since_announcement += 1
        if since_announcement == ANNOUNCE_SAMPLES:
            since_announcement = 0
            send(ANNOUNCEMENT)


if __name__ == "__main__":
    run()
