"""The technician's check: pressure, flow, coils, wires, splices and transformer, compared with the year before."""
