// Package trouble holds the trade's fault tables: what a fault of the deposit, or
// of the current, points at in an acid copper or a nickel bath, each line with its
// source. Look lays this bath's own numbers beside each and puts first what they
// point at most. It must not decide anything: it knows no words for a screen and
// plans no addition. Start at table.go.
package trouble
