"""Result tables → page data → one self-contained HTML file. Knows nothing of the models."""
