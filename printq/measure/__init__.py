"""Pure numerics: blocks in, numbers out. Nothing here opens a file or knows a model."""
