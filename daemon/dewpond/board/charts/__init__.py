"""Drawings as SVG text, made by pure functions: numbers and finished labels in, markup out."""
