def write_report(docs, done, settings):
    pass
