//go:build !unix

package main

// letRunInBackground does nothing: reading stops no process here.
func letRunInBackground() {}
