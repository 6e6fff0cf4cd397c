"""A trace made ready: medians and slopes, noise and resolution, zero, faults, a beat in it."""
