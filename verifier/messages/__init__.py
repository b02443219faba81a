"""Who is told about a run, when and in which words, and how it goes out."""
