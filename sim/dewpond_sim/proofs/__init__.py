"""Proofs of the valves: real daemons are killed and hindered in every named way; an outside recorder is the truth."""
