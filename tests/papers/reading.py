"""Reading papers back: text and sizes of a PDF by pypdf, its pages as pictures by poppler."""

import io
import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from pypdf import PdfReader

__all__ = ["flat", "pages_of", "pictures_of", "sizes_of"]


def flat(text: str) -> str:
    """Give text without what separates words, for lines of a PDF are broken anywhere."""
    return re.sub(r"\s+", "", text)


def pages_of(paper: bytes) -> list[str]:
    """Give the text of each page."""
    return [page.extract_text() for page in PdfReader(io.BytesIO(paper)).pages]


def sizes_of(paper: bytes) -> set[tuple[float, float]]:
    """Give the sizes of all pages in millimetres, the shorter side first."""
    boxes = [page.mediabox for page in PdfReader(io.BytesIO(paper)).pages]
    sides = [sorted((float(box.width) * 25.4 / 72, float(box.height) * 25.4 / 72)) for box in boxes]
    return {(round(short, 1), round(long, 1)) for short, long in sides}


def pictures_of(paper: bytes, folder: Path, *, dots: int = 300) -> list[Any]:
    """Give the pages as pictures; skipped where poppler is missing, which fails under CI."""
    if shutil.which("pdftoppm") is None:
        if os.environ.get("CI"):
            pytest.fail("pdftoppm is missing: install poppler-utils")
        pytest.skip("pdftoppm is missing: install poppler-utils")
    file = folder / "paper.pdf"
    file.write_bytes(paper)
    done = subprocess.run(
        ["pdftoppm", "-r", str(dots), "-gray", file, folder / "page"], check=False, capture_output=True
    )
    assert done.returncode == 0, done.stderr
    return [Image.open(path) for path in sorted(folder.glob("page*.pgm"))]
