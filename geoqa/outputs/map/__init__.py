"""Drawings become map.html, one self-contained page that asks the network for nothing unless its reader does.

Comes in: drawings of the layers and what stands beside them. Goes out: a page with packed columns that its scripts in
`outputs/static` unpack. No step lives here; the layers are in `outputs/layers`.
"""
