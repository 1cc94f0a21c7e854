"""The report: one document made of plain blocks, written as HTML and as PDF."""
