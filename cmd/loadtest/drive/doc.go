// Package drive sends requests to a running server as people and scripts would, and measures the answers:
// open loop (at a fixed rate of arrivals, whatever the answers take), closed loop (as fast as answers
// come), and side by side (an endpoint beside other ways to the same data).
//
// In the open loop a latency counts from the moment at which a request was to be sent, so that a server
// that stalls is not spared what it kept waiting.
//
// source: Gil Tene, "How NOT to Measure Latency" (coordinated omission), 2013.
//
// Everything is real: people sign in by the form, make tokens on their account page, write with If-Match
// and Idempotency-Key. It sends to the loopback only, to a collection that package seed invented.
package drive
