"""Text of files and of the recipe's own grammar: lines, numbers, angles, times, patterns, the row filter.

Comes in: bytes, or cells of text. Goes out: lines and values, and the conditions of the recipe that say which rows
and which part of a cell are meant. No step lives here.
"""
