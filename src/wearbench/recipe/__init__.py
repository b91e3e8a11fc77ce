"""The steps of the analysis: read a session, fit it, learn over the study, finish it, combine."""
