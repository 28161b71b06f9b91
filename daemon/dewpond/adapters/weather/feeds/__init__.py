"""Forecast services and logger files: saved answers to intervals of rain, probability and reference ET; the client."""
