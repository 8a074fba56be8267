"""TODO-DOC"""
