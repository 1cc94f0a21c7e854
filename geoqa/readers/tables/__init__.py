"""A table of text becomes typed columns: records, headings, what they suggest, units, coordinate systems.

Every table-like format ends here, whatever it was. Comes in: bytes or cells. Goes out: the columns of `occupations`,
and why each row that is not used was set aside. No step lives here; the readers above call it.
"""
