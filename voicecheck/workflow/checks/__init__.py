"""The checks beside the sweep: take, keep, analyse, keep, whichever check it is."""
