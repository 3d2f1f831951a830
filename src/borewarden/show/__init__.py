"""Everything a person reads: words, figures, pages, mails; their templates, styles and colours."""
