"""The serial port: the only room that knows pyserial."""

from recorder.port.errors import translate
from recorder.port.listing import PortInfo, check_port, list_ports, may_be_there, ports_there_are
from recorder.port.port import Back, Chunk, Lost, Port

__all__ = [
    "Back", "Chunk", "Lost", "Port", "PortInfo", "check_port", "list_ports", "may_be_there", "ports_there_are",
    "translate",
]
