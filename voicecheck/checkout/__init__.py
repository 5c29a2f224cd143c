"""
The rest of the checkout from samples alone: dial, tones, cord and hook, bell, speech, line.

Pure signal science: a `Recording` goes in, a record comes out; where it came from is not known
here. Limits are rows of the data folder, each with source and provenance.
"""
