"""Papers that convince somebody else: a certificate that can be verified, a slip, a PDF of a page."""
