//! integration
