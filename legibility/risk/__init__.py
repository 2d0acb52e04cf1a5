"""Before anything is misread: which marks will be taken for which, and which new ones will not."""
