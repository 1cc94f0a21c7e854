"""The report: one document made of plain blocks, from frames and the record, written as HTML and as PDF.

Comes in: frames, figures, the job and the record. Goes out: report.html and report.pdf. The first page is the
client's; the reviewer's sections follow. No step lives here.
"""
