"""Text in cells of CSV and sheets: never a live formula, and back again without loss.

A sheet program runs a cell that starts with one of these characters (OWASP, CSV injection). An
apostrophe before it makes it text. `plain_cell` takes exactly that apostrophe off again.
"""

import re

_LIVE = re.compile(r"'*[=+\-@\t\r\n\0\uff1d\uff0b\uff0d\uff20]")
_MADE_SAFE = re.compile(r"'+[=+\-@\t\r\n\0\uff1d\uff0b\uff0d\uff20]")


def safe_cell(text: str) -> str:
    """The text, with a leading apostrophe when a sheet program could run it.

    >>> safe_cell("=1+1"), safe_cell("NH-1V"), safe_cell("-5")
    ("'=1+1", 'NH-1V', "'-5")
    """
    return f"'{text}" if _LIVE.match(text) else text


def plain_cell(text: str) -> str:
    """What `safe_cell` was given.

    >>> plain_cell(safe_cell("=1+1")), plain_cell(safe_cell("'=1")), plain_cell("'80s")
    ('=1+1', "'=1", "'80s")
    """
    return text[1:] if _MADE_SAFE.match(text) else text
