// Package clustertest gives tests and scripts a private cluster of their own
// and takes it away again, whoever runs them and wherever it came to lie. Only
// tests may import it: it is the one place that removes a data folder.
//
// Start reading at New.
package clustertest
