"""Local pages: one door, one look, one way to answer; each page's routes hold no rules.

``serving`` is the base of every page (loopback, one-time token, refusal of foreign callers, static
files); ``calibrating`` is the page of ``ocrlog calibrate``.
"""
