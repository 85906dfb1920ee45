"""Static files under hashed names, each beside a gzip copy."""

from typing import Any

from whitenoise.compress import Compressor
from whitenoise.storage import CompressedManifestStaticFilesStorage


class HashedFiles(CompressedManifestStaticFilesStorage):
    """Gzip only: brotli, which the library of the PDF files brings along, takes a minute here."""

    def create_compressor(self, **options: Any) -> Compressor:
        return super().create_compressor(**options, use_brotli=False)
