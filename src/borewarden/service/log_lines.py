"""One form for every line that the service logs, whoever wrote it: its own modules or a library."""

from __future__ import annotations

import logging
import sys
from types import TracebackType
from typing import Literal

import structlog

Level = Literal["debug", "info", "warning", "error"]
Form = Literal["json", "text"]

OURS = "borewarden"


def configure_logging(level: Level = "info", form: Form = "json") -> None:
    """Write lines of `level` and above to standard error.

    Lines of structlog, of the standard library (outbox, mail, uvicorn, asyncio), warnings and what
    nobody caught all have `timestamp` (ISO 8601, UTC), `level`, `logger` and `event`; with "json"
    each is an object on one line. Libraries are asked for nothing below "info": that is theirs.
    """
    every: list[structlog.typing.Processor] = [
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.processors.TimeStamper(fmt="iso"),
    ]
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *every,
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
    )
    rendered: list[structlog.typing.Processor] = (
        [structlog.processors.format_exc_info, structlog.processors.JSONRenderer()]
        if form == "json"
        else [structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty())]
    )
    handler = logging.StreamHandler()
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=every,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *rendered],
        )
    )
    wanted = logging.getLevelNamesMapping()[level.upper()]
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(max(wanted, logging.INFO))
    logging.getLogger(OURS).setLevel(wanted)
    logging.captureWarnings(True)
    sys.excepthook = _log_uncaught


def _log_uncaught(
    kind: type[BaseException], error: BaseException, trace: TracebackType | None
) -> None:
    reason = f"{kind.__name__}: {error}"
    structlog.get_logger(OURS).critical("crashed", reason=reason, exc_info=(kind, error, trace))
