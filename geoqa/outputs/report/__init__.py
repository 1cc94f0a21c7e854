"""The report: one document made of plain blocks, from frames and the record, written as HTML and as PDF.

Comes in: frames, figures, the job and the record. Goes out: report.html and report.pdf. The first page is the
client's, with each reason without the field's words; the reviewer's sections follow. No step lives here.

typst is handed the blocks as data, so that no text from a file is ever interpreted. Tables hold the first 60 rows and
name the layer with the rest; above 1,500 points the picture shows squares of the ground. What no font has stops an
accessible PDF: `pdf` then spells such signs by their code points and says so.
"""
