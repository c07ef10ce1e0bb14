"""No token stands in a log, wherever it was logged."""

from __future__ import annotations

import logging
import re

from service.records.values import PREFIX


class HideTokens(logging.Filter):
    """Blanks anything that looks like a token in a log record."""

    _LOOKS_LIKE = re.compile(PREFIX + r"[A-Za-z0-9_-]{20,}")

    def filter(self, record: logging.LogRecord) -> bool:
        """Always True; the record's text is changed when need be."""
        text = record.getMessage()
        if PREFIX in text:
            hidden = self._LOOKS_LIKE.sub(PREFIX + "(hidden)", text)
            if hidden != text:
                record.msg, record.args = hidden, ()
        return True
