"""SVG text to PNG and PDF, by Qt, with no window."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

from recorder.errors import StorageError

if TYPE_CHECKING:
    from PySide6.QtGui import QGuiApplication, QImage

__all__ = ["application", "image", "pdf_bytes", "png_bytes"]


def application() -> QGuiApplication:
    """The Qt application, made where there is none; fonts need one."""
    from PySide6.QtGui import QGuiApplication

    existing = QGuiApplication.instance()
    if isinstance(existing, QGuiApplication):
        return existing
    if sys.platform.startswith("linux") and not (
        os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    ):
        os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    if os.environ.get("LC_ALL") in ("C", "POSIX"):
        os.environ["LC_ALL"] = "C.UTF-8"  # Qt takes that anyway, and says so in four lines
    return QGuiApplication([])


def image(svg: str, *, scale: float = 2.0) -> QImage:
    """The picture as pixels, ``scale`` of them to a user unit, on white."""
    from PySide6.QtCore import QByteArray
    from PySide6.QtGui import QImage, QPainter
    from PySide6.QtSvg import QSvgRenderer

    application()
    renderer = QSvgRenderer(QByteArray(svg.encode()))
    size = renderer.defaultSize()
    out = QImage(int(size.width() * scale), int(size.height() * scale), QImage.Format.Format_RGB32)
    out.fill(0xFFFFFFFF)
    painter = QPainter(out)
    renderer.render(painter)
    painter.end()
    return out


def png_bytes(svg: str) -> bytes:
    """The picture as a PNG file."""
    from PySide6.QtCore import QBuffer, QByteArray, QIODevice

    data = QByteArray()
    buffer = QBuffer(data)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    if not image(svg).save(buffer, "PNG"):  # type: ignore[call-overload]
        raise StorageError("the picture could not be turned into PNG", do="try .svg")
    return bytes(data.data())


def pdf_bytes(svg: str, *, title: str, paper: str = "A4") -> bytes:
    """The picture as one page of PDF, as large as fits on the paper (``A4`` or ``Letter``)."""
    from PySide6.QtCore import QBuffer, QByteArray, QIODevice, QMarginsF, QRectF
    from PySide6.QtGui import QPageLayout, QPageSize, QPainter, QPdfWriter
    from PySide6.QtSvg import QSvgRenderer

    application()
    renderer = QSvgRenderer(QByteArray(svg.encode()))
    size = renderer.defaultSize()
    wide = size.width() > size.height()
    data = QByteArray()
    buffer = QBuffer(data)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    writer = QPdfWriter(buffer)
    writer.setTitle(title)
    writer.setPageLayout(
        QPageLayout(
            QPageSize(QPageSize.PageSizeId[paper]),
            QPageLayout.Orientation.Landscape if wide else QPageLayout.Orientation.Portrait,
            QMarginsF(12, 12, 12, 12),
            QPageLayout.Unit.Millimeter,
        )
    )
    painter = QPainter(writer)
    scale = min(writer.width() / size.width(), writer.height() / size.height())
    left = (writer.width() - size.width() * scale) / 2
    renderer.render(painter, QRectF(left, 0, size.width() * scale, size.height() * scale))
    painter.end()
    return bytes(data.data())
