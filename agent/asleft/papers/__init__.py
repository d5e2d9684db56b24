"""Papers: a site's handover book, the sheet of a visit, labels, the account of a time. One paper is a pure function to a view, a template, a look."""
