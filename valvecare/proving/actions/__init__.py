"""Everything that happens to a guided function test."""

from valvecare.proving.actions.answer_step import answer_step
from valvecare.proving.actions.begin_test import begin_test
from valvecare.proving.actions.finish_test import finish_test
from valvecare.proving.actions.record_readings import ReadingResult, record_readings

__all__ = [
    "ReadingResult",
    "answer_step",
    "begin_test",
    "finish_test",
    "record_readings",
]
