"""Who is to be examined again, and who has become worse: read off stored answers, for a day. Pure: no store, no clock."""
