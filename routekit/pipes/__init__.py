"""Trench, flow, PE pipe, pull force and liner: the engineering of one run."""
