"""The tool held against a bench's own runs: a fit and its runs in; coverage, leanings, calls scored out."""
