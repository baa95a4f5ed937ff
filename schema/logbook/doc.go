// Package logbook holds what the whole system is about: the entries of the
// log, the plan of a site, and their ids.
package logbook
