"""Words and numbers about rolls: lists, summaries, the statement, the pace."""
