"""Figures drawn from records: inline SVG that needs no script, and Plotly figures for hovering and choosing."""
