"""One folder a run, closed once: written, read, verified, queried and judged again."""
