"""Answers come home: a returned workbook, or a page, becomes decisions or a sentence why not.

:mod:`flows.answers.reading` reads our workbook come back; :mod:`flows.answers.settling` turns
answers into decisions, refusing what breaks a rule or comes too late;
:mod:`flows.answers.pending` keeps what a page was told until the next run.
"""
