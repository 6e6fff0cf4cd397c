"""The style sheet, from a palette and the size of the font."""

from __future__ import annotations

from recorder.window.state.colours import Palette

__all__ = ["font_px", "style_sheet"]


_USUAL_PX = 14.0  # fonts of desktops are 12 to 14 px high; one set larger was set so on purpose


def font_px(window_height: int, users_own_px: int = 0) -> int:
    """The base font, px: it grows with the window and with the user's own font, as far as every screen still has
    room for it (a 33rd of the height)."""
    grown = window_height / 40 * max(users_own_px / _USUAL_PX, 1.0)
    return max(14, round(window_height / 40), min(round(grown), window_height // 33))


def style_sheet(c: Palette, px: int) -> str:
    """Every role of the screens."""
    line, ring = max(2, round(px / 13)), max(4, round(px / 7))
    return f"""
    * {{ font-size: {px}px; }}
    QWidget {{ background: {c.ground}; color: {c.text}; }}
{_keys_and_fields(c, px, line, ring)}{_words(c, px)}{_texts_and_tables(c, px, line, ring)}"""


def _keys_and_fields(c: Palette, px: int, line: int, ring: int) -> str:
    key = max(56, round(3.7 * px))
    return f"""\
    QPushButton {{ background: {c.panel}; border: {line}px solid {c.edge}; border-radius: 3px; padding: 2px 8px;
        min-height: {key}px; }}
    QPushButton:hover {{ border-color: {c.text}; }}
    QPushButton:checked {{ background: {c.text}; color: {c.ground}; border-color: {c.text}; }}
    QPushButton:disabled {{ color: {c.muted}; background: {c.ground}; border-style: dashed; }}
    QPushButton#main {{ font-size: {round(px * 1.2)}px; }}
    QPushButton#place {{ font-size: {round(px * 1.15)}px; padding: 0px; min-height: 56px; }}
    QPushButton#main {{ background: {c.text}; color: {c.ground}; font-weight: bold; }}
    QPushButton#main:disabled {{ background: {c.ground}; color: {c.muted}; }}
    QPushButton:focus, QPushButton#main:focus {{ border: {ring}px solid {c.focus}; padding: 0px 6px; }}
    QLineEdit, QComboBox {{ font-size: {round(px * 1.15)}px; background: {c.ground};
        border: {line}px solid {c.edge}; border-radius: 3px; padding: 2px 10px;
        min-height: {key - 4}px; selection-background-color: {c.text}; selection-color: {c.ground};
        placeholder-text-color: {c.muted}; }}
    QLineEdit:focus, QComboBox:focus {{ border: {ring}px solid {c.focus}; padding: 0px 8px; }}
    QLineEdit:disabled {{ color: {c.muted}; border-style: dashed; }}
    QComboBox QLineEdit {{ border: 0; min-height: 0; }}
    QComboBox::drop-down {{ width: 60px; border: 0; background: transparent; }}
    QComboBox::down-arrow {{ image: none; }}
    QComboBox QAbstractItemView, QListView#offers {{ background: {c.ground}; color: {c.text};
        border: {line}px solid {c.edge}; selection-background-color: {c.text}; selection-color: {c.ground}; }}
    QComboBox QAbstractItemView::item, QListView#offers::item {{ min-height: {key}px; padding-left: 10px; }}
    QListView#offers {{ font-size: {round(px * 1.15)}px; }}
"""


def _words(c: Palette, px: int) -> str:
    return f"""\
    QLabel#sentence {{ font-size: {round(px * 1.9)}px; font-weight: bold; }}
    QLabel#sentence[scale="now"] {{ font-size: {round(px * 2.1)}px; }}
    QLabel#sentence[alarm="true"] {{ background: {c.bad}; color: {c.ink}; }}
    QLabel#sentence[scale="small"] {{ font-size: {round(px * 1.6)}px; }}
    QLabel#sentence[scale="large"] {{ font-size: {round(px * 2.4)}px; }}
    QLabel#sentence[scale="long"], QLabel#sentence[long="true"] {{ font-size: {round(px * 1.3)}px; }}
    QLabel#step {{ font-size: {round(px * 1.5)}px; font-weight: bold; }}
    QLabel#word {{ font-size: {round(px * 2.8)}px; font-weight: bold; }}
    QLabel#word[scale="large"] {{ font-size: {round(px * 4.2)}px; }}
    QLabel#word[scale="small"] {{ font-size: {round(px * 1.6)}px; }}
    QLabel#fall {{ font-size: {round(px * 1.6)}px; font-weight: bold; }}
    QLabel#fall[long="true"] {{ font-size: {round(px * 1.25)}px; }}
    QLabel#value[tight="true"] {{ font-size: {round(px * 0.85)}px; }}
    QLabel#reasons {{ font-size: {round(px * 1.15)}px; }}
    QLabel#reasons[tight="true"] {{ font-size: {round(px * 0.9)}px; }}
    QLabel#value, QLabel#state {{ font-weight: bold; }}
    QLabel#muted, QLabel#source {{ color: {c.muted}; }}
    QLabel#source {{ font-size: {round(px * 0.9)}px; }}
    QLabel#caution {{ color: {c.text}; background: {c.panel}; border-left: 6px solid {c.edge}; padding: 3px 10px; }}
    QLabel#caution[scale="now"] {{ font-size: {round(px * 1.15)}px; }}
    QLabel#banner {{ background: {c.open_question}; color: {c.ink}; padding: 6px 12px; font-weight: bold;
        font-size: {round(px * 1.25)}px; }}
    QLabel#simulated {{ background: {c.open_question}; color: {c.ink}; padding: 1px 12px; font-weight: bold; }}
    QLabel#banner[calm="true"] {{ background: {c.panel}; color: {c.text}; }}
"""


def _texts_and_tables(c: Palette, px: int, line: int, ring: int) -> str:
    return f"""\
    QPlainTextEdit {{ background: {c.ground}; border: {line}px solid {c.edge}; selection-background-color: {c.text};
        selection-color: {c.ground}; }}
    QPlainTextEdit:focus {{ border: {ring - 1}px solid {c.focus}; }}
    QScrollArea {{ border: {ring - 1}px solid {c.ground}; }}
    QScrollArea:focus {{ border: {ring - 1}px solid {c.focus}; }}
    QTableView {{ background: {c.ground}; alternate-background-color: {c.panel}; gridline-color: {c.panel};
        selection-background-color: {c.text}; selection-color: {c.ground}; border: {line}px solid {c.edge}; }}
    QTableView:focus {{ border: {ring - 1}px solid {c.focus}; }}
    QHeaderView::section {{ background: {c.panel}; color: {c.text}; border: 0; border-right: 1px solid {c.edge};
        padding: 3px; font-weight: bold; }}
    QScrollBar:vertical {{ width: {max(26, round(px * 1.8))}px; background: {c.panel}; }}
    QScrollBar::handle:vertical {{ background: {c.edge}; min-height: 60px; }}
    QScrollBar::add-line, QScrollBar::sub-line {{ height: 0; }}
    QMessageBox QPushButton {{ min-width: {max(140, 8 * px)}px; }}
    QToolTip {{ background: {c.panel}; color: {c.text}; border: 1px solid {c.edge}; }}
    """
