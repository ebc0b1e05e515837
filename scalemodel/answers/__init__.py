"""One module a question: each turns a fit or a bench into a frozen answer."""
