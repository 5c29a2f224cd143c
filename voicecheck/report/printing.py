"""What every paper is made with: templates, files inside the page, PDF."""

from __future__ import annotations

import base64
import re
from pathlib import Path
from typing import Any

from voicecheck.errors import InputError

TEMPLATE_FOLDER = Path(__file__).parents[1] / "data" / "report"
PDF_VARIANT = "pdf/ua-1"
"""Tagged, with title and language: a screen reader tells headings, tables and pictures."""


def make_environment() -> Any:
    """Templates of the papers, escaped."""
    import jinja2

    return jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATE_FOLDER),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def mark_up(text: str) -> Any:
    """Text of our own that is not escaped again."""
    from markupsafe import Markup

    return Markup(text)


def embed(content: bytes, media_type: str) -> str:
    """A file inside the page; "" where there is none."""
    return f"data:{media_type};base64,{base64.b64encode(content).decode()}" if content else ""


def print_pdf(html: str) -> bytes:
    """
    A page as tagged PDF (PDF/UA-1, ISO 14289-1).

    Raises
    ------
    InputError
        The optional part for PDF is not installed.
    """
    try:
        import weasyprint
    except (ImportError, OSError) as error:
        reason = re.sub(r"\s+", " ", str(error))[:120]
        raise InputError(
            f"PDF: the extra `pdf` is not usable here ({reason}); install voicecheck[pdf] and the "
            "system's Pango library, or print report.html from a browser"
        ) from error
    # What stands in the page itself may be shown; nothing outside is ever asked for.
    inside = weasyprint.urls.URLFetcher(allowed_protocols=("data",), fail_on_errors=True)
    pdf: bytes = weasyprint.HTML(string=html, url_fetcher=inside).write_pdf(pdf_variant=PDF_VARIANT)
    return pdf
