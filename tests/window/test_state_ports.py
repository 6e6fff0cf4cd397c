"""What the list of adapters says of the one that was used last."""

from __future__ import annotations

import os
import pty
from pathlib import Path

import pytest

from recorder.window.state.ports import port_choices


def test_a_link_to_a_port_that_is_there_is_plugged_in(tmp_path: Path) -> None:
    """The system lists /dev/ttyUSB0 and none of the links to it, such as those of udev below /dev/serial/by-id."""
    ours, theirs = pty.openpty()
    link = tmp_path / "hose-gauge"
    try:
        link.symlink_to(os.ttyname(theirs))
        assert port_choices(str(link))[0].label == f"{link}  (used last)"
        link.unlink()
        assert port_choices(str(link))[0].label == f"{link}  (used last, not plugged in now)"
    finally:
        os.close(ours)
        os.close(theirs)


@pytest.mark.parametrize("url", ["socket://bay-2:5000", "rfc2217://bay-2:5001"])
def test_of_an_adapter_on_the_network_nothing_is_known_before_it_is_opened(url: str) -> None:
    assert port_choices(url)[0].label == f"{url}  (used last)"
