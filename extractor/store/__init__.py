"""What is kept between runs: the cache of readings (disposable) and decisions (sacred)."""

from extractor.store.cache import Cache
from extractor.store.codec import record_from_json, record_to_json
from extractor.store.decisions import append_decisions, decision_template, read_decisions
from extractor.store.lock import writer_lock
from extractor.store.spot_checks import append_to_spot_check, read_spot_checks

__all__ = [
    "Cache",
    "append_decisions",
    "append_to_spot_check",
    "decision_template",
    "read_decisions",
    "read_spot_checks",
    "record_from_json",
    "record_to_json",
    "writer_lock",
]
