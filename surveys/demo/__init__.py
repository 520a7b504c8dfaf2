"""The invented yard of the demo: Quendlebrook Bulk Materials, three sites, twelve months.

Every figure here is our own invention. The way of it: `ground` and `shapes` say where material truly
lies, `yard` names what there is, `monthly` sizes each heap for each month, `crew` takes shots at it as a
crew would, `fieldfiles` writes them down, `story` says which day which file is sent, and `seeding` sends
them through the same doors that people use. Nothing is measured here: the tool measures.
"""
