"""Write the page as a PDF, by WeasyPrint (extra ``pdf``). Nothing is fetched: whatever the page might refer to is refused."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

from sequencer.files.write import FileMark, whole_file
from sequencer.results.export import needs_extra


def write_pdf(html: str, path: Path, *, mark: str = "", over: FileMark | None = None) -> None:
    """Write a page as PDF that carries ``mark`` in its identifier (ISO 32000-1, 14.4), which stands in it uncompressed.

    Raises FileProblems without the extra ``pdf``, or if the file cannot be written.
    """
    try:
        from weasyprint import HTML
        from weasyprint.urls import URLFetcher
    except (ImportError, OSError) as error:  # OSError: the package is there and the system's Pango is not
        raise needs_extra(path, "weasyprint (and the system's Pango libraries)", "pdf") from error
    with whole_file(path, over=over) as beside:
        HTML(string=html, url_fetcher=URLFetcher(allowed_protocols=())).write_pdf(
            beside, pdf_identifier=f"{mark} {sha256(html.encode()).hexdigest()}".encode()
        )
