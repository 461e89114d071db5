"""Connections: real ones over TCP, and their twin in memory for virtual time. Both give plain asyncio transports."""
