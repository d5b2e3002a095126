"""DICOM in and out: files only, nothing is sent.

Needs the extra ``dicom``; what is imported from it is imported when it is used.
"""
