"""The rules that judge a plan: one file each in ``rules``, with the page that explains it."""
