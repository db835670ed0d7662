"""Many sites: loop, pool or cluster; cache; progress; whole-or-nothing writing."""
