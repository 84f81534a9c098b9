"""What can be found about a registry, a device, a site or a file, in words: for comments and pages."""

from __future__ import annotations

FINDINGS = {
    "time_zones_differ": "exports of one device name different time zones",
    "drain_without_log": "a drain in the registry, no log of it",
    "minutes_without_drain": "minutes of a device that belong to no drain",
    "use_without_drain": "a use of a device that no registry row claims",
    "use_claimed_twice": "a use claimed by two drains",
    "log_outside_drain": "a log outside its drain's dates",
    "registry_rows_disagree": "two registry files of one exported_at differ on a drain; one of them stands",
    "tube_out_before_in": "tube out before it went in",
    "procedure_end_after_out": "surgery ends after the tube came out",
    "annotation_without_minutes": "a note about minutes nobody has",
    "annotation_against_log": "staff noted that nothing passed the line; the log shows air or breath",
    "named_use_without_log": "a use named in the registry, no log of it",
    "device_not_in_registry": "a device with logs that no registry row names",
    "device_without_log": "a device named in the registry, no log of it",
    "site_silent": "a site that has sent no log for longer than it uses to, by the newest file of all",
    "dates_far_off": "a use whose minutes lie years from those of most others: a clock set wrong, or a date",
    "file_waiting": "a file that no profile fits, or several do; it waits",
    "columns_ignored": "columns of files that their profile does not name",
}

# Findings for which a value of the registry counts as not recorded. Its row is kept: nothing is rejected.
SET_ASIDE = {
    "tube_out_before_in": "the tube's removal",
    "procedure_end_after_out": "the end of surgery",
}
