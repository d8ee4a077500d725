"""The record of a run as one HTML file: values (`data`), what is drawn (`drawing`), the page (`rendering`)."""
