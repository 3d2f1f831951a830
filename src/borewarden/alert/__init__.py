"""alert"""
