"""The belief beside the ledger: what is thought to be true of each zone, with its doubt.

The ledger goes by the site file's numbers and is never corrected. The belief starts as the ledger and follows it; what
probes see and what the meter counted move it. Decisions use the belief.
"""
