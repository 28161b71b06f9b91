"""Ordeals: a site, a season and its faults, all drawn from one seed, gone through by the real brain, loop and keeper.

``draw`` invents them, ``ports`` stands between the daemon and the world and does the harm, ``machine`` is the computer
that dies and comes back, ``people`` ask and lock, ``watch`` holds every event against the promises, ``run`` puts one
ordeal through and shrinks one that fails to few faults.
"""
