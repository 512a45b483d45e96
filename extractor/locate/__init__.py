"""Which layouts a frame shows, where and at which scale; may read labels and flowing lines."""

from extractor.locate.locator import METHOD, LineReader, Locator

__all__ = ["METHOD", "LineReader", "Locator"]
