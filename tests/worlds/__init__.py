"""The worlds that tests of several rooms share: one school, its lab as a file and as a value, and what happens there.

values        the lab as a value, and its parts, each with what most tests want
texts         the lab as lab.yaml
rules         alarms of which only the figures matter; rule files read as if they shipped
home          a home folder around it
by_hand       a pipeline over a real journal, driven by hand
brew_home     a home with a brewer
strategies    what property tests draw from
"""
