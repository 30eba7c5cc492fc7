"""Text that stays text: escaping for HTML and for data inside a script element."""

from __future__ import annotations

import base64
import hashlib
import html
import json
from importlib import resources
from typing import Any

from sensorhealth.present.wording import clean


def text(value: Any) -> str:
    """`value` as text in HTML or in a quoted attribute. Characters that no page can hold become U+FFFD."""
    return html.escape(clean(value), quote=True)


def data(name: str, value: Any) -> str:
    """`value` as JSON in a script element `name`; no text in it can end the element or be read as markup."""
    body = json.dumps(value, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    for character in "<>&":
        body = body.replace(character, f"\\u{ord(character):04x}")
    return f'<script type="application/json" id="{text(name)}">{body}</script>'


def element(name: str, inside: str, **attributes: str) -> str:
    """`<name attributes>inside</name>`; `inside` is HTML, the attributes are text (underscores become hyphens)."""
    shown = "".join(f' {key.strip("_").replace("_", "-")}="{text(value)}"' for key, value in attributes.items())
    return f"<{name}{shown}>{inside}</{name}>"


def asset(*names: str) -> str:
    """The contents of the package's own files `names` in this folder, one after the other."""
    folder = resources.files(__package__)
    return "\n".join(folder.joinpath(name).read_text(encoding="utf-8") for name in names)


def digest(script: str) -> str:
    """The SHA-256 source expression that lets exactly this script run (W3C Content Security Policy level 3)."""
    return "'sha256-" + base64.b64encode(hashlib.sha256(script.encode()).digest()).decode() + "'"
