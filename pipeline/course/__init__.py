"""Course: from the minutes of device uses to what happened at the bedside.

In: loaded minutes and traces of whole devices, later their resolved uses with evidence of breathing.
Out: the minute-by-minute course with flags, periods, alerts and canisters. Called by the flows, in batches.
"""

from pipeline.course.course import course_of, marked_course
from pipeline.course.evidence import evidence_of
from pipeline.course.resolve import Resolved, resolve
from pipeline.course.tidaling import tidaling_of
from pipeline.course.written import Course

__all__ = ["Course", "Resolved", "course_of", "evidence_of", "marked_course", "resolve", "tidaling_of"]
