"""What is known of a recording or a corpus, gathered for one page: computed here, drawn by `tapsig.report`."""
