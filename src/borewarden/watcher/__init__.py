"""One machine under watch: from samples to verdict and alerts."""
