"""Reports that people print and send: composed once, set as PDF or as HTML.

A report is composed by one function a kind (``shift_sheet``, ``weeks_upkeep``, ``part_record``,
``month``) into a :class:`dashboard.reports.content.Report`, which holds words and numbers as they
are read and no way of setting them. ``pdf`` and ``web`` set it; neither computes anything.
"""
