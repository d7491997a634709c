"""Plans that turn facts into action: what to draw, and what to do with a specimen that is short."""
