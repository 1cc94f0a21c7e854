"""The contract of every frame that passes between steps: columns, kinds, limits, words, and what each means.

One module a topic, called as the topic is in `analysis` and `outputs`. Comes in: a frame. Goes out: the same frame
checked, with all faults at once, and the few phrases that analysis and outputs both say. No step lives here.
"""
