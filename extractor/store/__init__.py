"""What is kept between runs: the cache of readings (disposable) and decisions (sacred)."""

from extractor.store.cache import Cache
from extractor.store.codec import record_from_json, record_to_json
from extractor.store.decisions import append_decision, decision_template, read_decisions
from extractor.store.lock import writer_lock

__all__ = [
    "Cache",
    "append_decision",
    "decision_template",
    "read_decisions",
    "record_from_json",
    "record_to_json",
    "writer_lock",
]
