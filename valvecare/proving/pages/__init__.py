"""Pages of the guided function test: begin, one page per step, result."""

from valvecare.proving.pages.test import urls

__all__ = ["urls"]
