"""Handing a site over: what stands open, the emergency card, and a newcomer's first week."""
