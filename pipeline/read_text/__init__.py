"""A response's text made ready for reading: folded characters, typed quantities, sentences, quoted passages.

Nothing here knows what a loss or an odometer is; that is the work of `find_values`.
"""
